"""Tables of what photos of one site share: results, made again from patches and readings."""

from __future__ import annotations

from sqlalchemy import REAL, Column, Index, Table

from pipeline.store.columns import json_text, photo, text, whole
from pipeline.store.tables import metadata

comparisons = Table(
    "comparisons",
    metadata,
    photo("earlier", key=True),
    photo("later", key=True),
    text("basis"),
    Column("same_place", REAL),
    whole("blocks"),
    whole("agreeing"),
    Column("scatter_mm", REAL),
    json_text("places"),
    sqlite_strict=True,
)
Index("ix_comparisons_later", comparisons.c.later)

SCALE: tuple[str, ...] = (
    "area",
    "width",
    "height",
    "area_rel_sd",
    "width_rel_sd",
    "height_rel_sd",
    "area_common_rel_sd",
    "width_common_rel_sd",
)
"""Columns of a photo's scale, as in ``records.BarkScale``: all empty where it keeps its own."""

bark_scales = Table(
    "bark_scales",
    metadata,
    photo(key=True),
    text("basis"),
    Column("same_place", REAL),
    *(Column(name, REAL) for name in SCALE),
    sqlite_strict=True,
)
"""One row for every reading that was compared, or that had nothing to be compared with."""

SHIFT: tuple[str, ...] = ("advance_mm", "advance_mm_sd", "length_mm")
"""Columns of a piece of rim, as in ``records.RimShift``."""
TOGETHER: tuple[str, ...] = ("whole", "sides", "ends")

rim_fields = Table(
    "rim_fields",
    metadata,
    photo("later", key=True),
    photo("earlier"),
    *(Column(f"{piece}_{name}", REAL) for piece in TOGETHER for name in SHIFT),
    json_text("detail"),
    sqlite_strict=True,
)
"""Advance of the rim between two photos of a site; ``detail`` holds its parts, its arcs and both rims."""
Index("ix_rim_fields_earlier", rim_fields.c.earlier)

"""Tables of what photos of one site share: results, made again from patches and readings."""

from __future__ import annotations

from sqlalchemy import REAL, Column, ForeignKey, Index, Integer, Table, Text

from pipeline.store.columns import JsonText
from pipeline.store.tables import metadata

comparisons = Table(
    "comparisons",
    metadata,
    Column("earlier", Text, ForeignKey("photos.sha256"), primary_key=True),
    Column("later", Text, ForeignKey("photos.sha256"), primary_key=True),
    Column("basis", Text, nullable=False),
    Column("same_place", REAL),
    Column("blocks", Integer, nullable=False),
    Column("agreeing", Integer, nullable=False),
    Column("scatter_mm", REAL),
    Column("places", JsonText, nullable=False),
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
    Column("sha256", Text, ForeignKey("photos.sha256"), primary_key=True),
    Column("basis", Text, nullable=False),
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
    Column("later", Text, ForeignKey("photos.sha256"), primary_key=True),
    Column("earlier", Text, ForeignKey("photos.sha256"), nullable=False),
    *(Column(f"{piece}_{name}", REAL) for piece in TOGETHER for name in SHIFT),
    Column("detail", JsonText, nullable=False),
    sqlite_strict=True,
)
"""Advance of the rim between two photos of a site; ``detail`` holds its parts, its arcs and both rims."""
Index("ix_rim_fields_earlier", rim_fields.c.earlier)

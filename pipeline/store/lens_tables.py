"""Tables of what was learned of phones: results, made again from the photos' geometry in the cache."""

from __future__ import annotations

from sqlalchemy import REAL, Column, Table, Text

from pipeline.store.columns import whole
from pipeline.store.tables import metadata

VALUES: tuple[str, ...] = ("focal_factor", "focal_factor_sd", "k1", "k1_sd")
"""Columns of a lens, as in ``records.LensFix``."""

lenses = Table(
    "lenses",
    metadata,
    Column("device", Text, primary_key=True),
    Column("lens", Text, primary_key=True),
    whole("photos"),
    *(Column(name, REAL, nullable=False) for name in VALUES),
    sqlite_strict=True,
)

phones = Table(
    "phones",
    metadata,
    Column("device", Text, primary_key=True),
    whole("readings"),
    sqlite_strict=True,
)
"""How many readings a phone had when its lenses were last looked at."""

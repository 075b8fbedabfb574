"""The table of packed readings: what a survey reads of a site, in one row; a copy that can be made again."""

from __future__ import annotations

from sqlalchemy import Column, Integer, LargeBinary, Table

from pipeline.store.columns import text, whole
from pipeline.store.tables import metadata

packed_readings = Table(
    "packed_readings",
    metadata,
    Column("site", Integer, primary_key=True),
    whole("layout"),
    text("parts"),
    Column("whole", LargeBinary, nullable=False),
    Column("numbers", LargeBinary, nullable=False),
    Column("part_sds", LargeBinary, nullable=False),
    text("texts"),
    sqlite_strict=True,
)
"""One row a site, of the readings that count; triggers remove it when one of them, or its scale, changes.

``layout`` is :data:`pipeline.store.packs.LAYOUT`; ``parts`` the names of the area's standard uncertainties as a JSON
list; ``whole`` day and flags as 64-bit integers, ``numbers`` and ``part_sds`` 64-bit floats, both little-endian, a
reading after the other; ``texts`` a line a reading, hash and time.
"""

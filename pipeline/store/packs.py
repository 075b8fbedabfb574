"""Readings that count of many sites, from one row a site: what a survey of a whole grove needs, quickly.

The row of a site (``packed_readings``) is a copy of what :mod:`pipeline.store.reading_columns` finds in several tables.
The database itself removes it when something that it copies changes; what is missing is read from those tables again,
and packed where that is worth a transaction.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.dialects.sqlite import insert as upsert

from pipeline.store.connected import CHUNK, Connected
from pipeline.store.pack_tables import packed_readings
from pipeline.store.reading_columns import NUMBERS, ReadingColumns, columns_from_rows

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray
    from sqlalchemy import Connection, Row

LAYOUT = 1
"""Changes with what the packed columns mean; rows of another layout are made again."""
PACK_FROM = 50
"""Sites not packed from which on packing them is worth a transaction."""
WHOLE, FLOATS = np.dtype("<i8"), np.dtype("<f8")


class Packs(Connected):
    """Readings of many sites as columns."""

    def reading_columns(self, sites: Sequence[int]) -> ReadingColumns:
        """Readings that count of some sites (rising numbers), in order of site, day and hash."""
        with self._reading() as connection:
            rows = _packed(connection, sites)
            packed = {row.site for row in rows}
            missing = [site for site in sites if site not in packed]
            if len(missing) < PACK_FROM:
                return _unpacked(rows).and_of(columns_from_rows(connection, missing))
        # what is packed must be what is there when it is written: reading and writing are one transaction
        with self._writing() as connection:
            fresh = columns_from_rows(connection, missing)
            _pack(connection, fresh, missing)
        return _unpacked(rows).and_of(fresh)


def _packed(connection: Connection, sites: Sequence[int]) -> list[Row[Any]]:
    query = select(packed_readings).where(packed_readings.c.layout == LAYOUT).order_by(packed_readings.c.site)
    rows: list[Row[Any]] = []
    for start in range(0, len(sites), CHUNK):
        rows += connection.execute(query.where(packed_readings.c.site.in_(sites[start : start + CHUNK]))).fetchall()
    return rows


def _unpacked(rows: Sequence[Row[Any]]) -> ReadingColumns:
    sizes = np.array([len(row.whole) // (2 * WHOLE.itemsize) for row in rows], dtype=np.intp)
    whole = np.frombuffer(b"".join([row.whole for row in rows]), WHOLE).reshape(-1, 2).astype(np.int64)
    numbers = np.frombuffer(b"".join([row.numbers for row in rows]), FLOATS).reshape(-1, NUMBERS).astype(np.float64)
    texts = " ".join([row.texts for row in rows]).split()
    return ReadingColumns(
        np.repeat(np.array([row.site for row in rows], dtype=np.int64), sizes),
        whole[:, 0],
        whole[:, 1],
        numbers,
        texts[::2],
        texts[1::2],
        *_parts(rows, sizes),
    )


def _parts(rows: Sequence[Row[Any]], sizes: NDArray[np.intp]) -> tuple[tuple[str, ...], NDArray[np.float64]]:
    """Names of all parts, and their values of all readings; most sites name the same and are one table."""
    named: dict[str, list[int]] = {}
    for k, row in enumerate(rows):
        named.setdefault(row.parts, []).append(k)
    lists = {text: json.loads(text) for text in named}
    every = tuple(sorted({name for names in lists.values() for name in names}))
    found = np.zeros((int(sizes.sum()), len(every)))
    row_of = np.repeat(np.arange(len(rows)), sizes)
    for text, which in named.items():
        if lists[text]:
            values = np.frombuffer(b"".join([rows[k].part_sds for k in which]), FLOATS).reshape(-1, len(lists[text]))
            place = np.array([every.index(name) for name in lists[text]], dtype=np.intp)
            found[np.ix_(np.flatnonzero(np.isin(row_of, which)), place)] = values
    return every, found


def _pack(connection: Connection, columns: ReadingColumns, sites: Sequence[int]) -> None:
    numbers = np.array(sites, dtype=np.int64)
    first = np.searchsorted(columns.site, numbers, "left").tolist()
    stop = np.searchsorted(columns.site, numbers, "right").tolist()
    values = []
    for site, begin, end in zip(sites, first, stop, strict=True):
        own = columns.of_rows(begin, end)
        values.append(
            {
                "site": site,
                "layout": LAYOUT,
                "parts": json.dumps(own.parts),
                "whole": np.column_stack([own.day, own.flags]).astype(WHOLE).tobytes(),
                "numbers": own.numbers.astype(FLOATS).tobytes(),
                "part_sds": own.part_sds.astype(FLOATS).tobytes(),
                "texts": "\n".join(f"{a} {b}" for a, b in zip(own.sha256, own.taken_at, strict=True)),
            }
        )
    place = upsert(packed_readings)
    names = [column.name for column in packed_readings.c if column.name != "site"]
    place = place.on_conflict_do_update(
        index_elements=["site"], set_={name: getattr(place.excluded, name) for name in names}
    )
    connection.execute(place, values)

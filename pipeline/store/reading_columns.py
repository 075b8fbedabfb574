"""Readings that count as plain columns: what a survey of a whole grove needs, without a record each."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import Text, select, type_coerce

from pipeline.records import Sign, Stage
from pipeline.store.bark_tables import SCALE, bark_scales
from pipeline.store.connected import CHUNK
from pipeline.store.tables import SIZES, readings, results, standing

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray
    from sqlalchemy import Connection, Row

_TEXTS = (results.c.visit_on, results.c.sha256, results.c.taken_at, readings.c.area_sd_parts)
_GROUPS = {
    "stage_p": tuple(readings.c[f"p_{stage.word}"] for stage in Stage),
    "size": tuple(readings.c[size] for size in SIZES),
    "size_sd": tuple(readings.c[f"{size}_sd"] for size in SIZES),
    "sign_p": tuple(readings.c[f"p_{sign.value}"] for sign in Sign),
    "sign_area_mm2": tuple(readings.c[f"{sign.value}_area_mm2"] for sign in Sign),
    "sharpness_mm": (readings.c.sharpness_mm,),
    "scale_px_per_mm": (readings.c.scale_px_per_mm,),
    "view_angle_deg": (readings.c.view_angle_deg,),
    "same_place": (bark_scales.c.same_place,),
    "scale": tuple(bark_scales.c[name] for name in SCALE),
}
_NUMBERS = tuple(column for group in _GROUPS.values() for column in group)
NUMBERS = len(_NUMBERS)
"""Numbers of a reading."""
ordinal_of = lru_cache(maxsize=16384)(lambda text: date.fromisoformat(text).toordinal())


@dataclass(frozen=True, slots=True, eq=False)
class ReadingColumns:
    """N readings in order of site, day and hash.

    Attributes
    ----------
    site, day, flags
        Shape (N,), whole numbers; ``day`` is a proleptic ordinal.
    numbers
        Shape (N, :data:`NUMBERS`), ``nan`` where there is none; :meth:`groups` tells them apart.
    sha256, taken_at
        N texts; times in ISO 8601.
    parts
        P names of parts of the area's standard uncertainty.
    part_sds
        Shape (N, P): those parts, 0 where a reading does not name one.
    """

    site: NDArray[np.int64]
    day: NDArray[np.int64]
    flags: NDArray[np.int64]
    numbers: NDArray[np.float64]
    sha256: list[str]
    taken_at: list[str]
    parts: tuple[str, ...]
    part_sds: NDArray[np.float64]

    def groups(self) -> dict[str, NDArray[np.float64]]:
        """The numbers by what they are.

        Returns
        -------
        dict
            ``stage_p`` (N, 6), ``size`` and ``size_sd`` (N, 4), ``sign_p`` and ``sign_area_mm2`` (N, 5),
            ``sharpness_mm``, ``scale_px_per_mm``, ``view_angle_deg``, ``same_place`` (N,), ``scale`` (N, 8, as in
            ``bark_tables.SCALE``).
        """
        found, first = {}, 0
        for name, group in _GROUPS.items():
            # one array each, rows together: what follows goes through them many times
            block = np.ascontiguousarray(self.numbers[:, first : first + len(group)])
            found[name] = block if len(group) > 1 else block[:, 0]
            first += len(group)
        return found

    def moments(self) -> NDArray[np.object_]:
        """Times at which the photos were taken, aware."""
        found = np.empty(len(self.taken_at), dtype=object)
        found[:] = [datetime.fromisoformat(text) for text in self.taken_at]
        return found

    def sums_of_parts(self, weigh: Callable[[str], Sequence[float]], count: int) -> NDArray[np.float64]:
        """Weighted sums of the parts' variances, shape (N, count); ``weigh`` gives ``count`` weights for a name."""
        weights = np.array([weigh(name) for name in self.parts], dtype=np.float64).reshape(-1, count)
        return np.square(self.part_sds) @ weights

    def and_of(self, other: ReadingColumns) -> ReadingColumns:
        """Both together; no site may be in both."""
        if not other.site.size or not self.site.size:
            return self if self.site.size else other
        parts = (*self.parts, *(name for name in other.parts if name not in self.parts))
        order = np.argsort(np.r_[self.site, other.site], kind="stable")
        hashes, times = [*self.sha256, *other.sha256], [*self.taken_at, *other.taken_at]
        return ReadingColumns(
            np.concatenate([self.site, other.site])[order],
            np.concatenate([self.day, other.day])[order],
            np.concatenate([self.flags, other.flags])[order],
            np.concatenate([self.numbers, other.numbers])[order],
            [hashes[k] for k in order.tolist()],
            [times[k] for k in order.tolist()],
            parts,
            np.vstack([self.naming(parts), other.naming(parts)])[order],
        )

    def naming(self, parts: Sequence[str]) -> NDArray[np.float64]:
        """The parts' standard uncertainties under other names' order; those that are not named here are 0."""
        found = np.zeros((self.site.size, len(parts)))
        found[:, [parts.index(name) for name in self.parts]] = self.part_sds
        return found

    def of_rows(self, first: int, stop: int) -> ReadingColumns:
        """Some rows, with the parts that they name."""
        rows = slice(first, stop)
        named = np.flatnonzero(self.part_sds[rows].any(axis=0))
        return replace(
            self,
            site=self.site[rows],
            day=self.day[rows],
            flags=self.flags[rows],
            numbers=self.numbers[rows],
            sha256=self.sha256[rows],
            taken_at=self.taken_at[rows],
            parts=tuple(self.parts[k] for k in named.tolist()),
            part_sds=self.part_sds[rows][:, named],
        )


def columns_from_rows(connection: Connection, sites: Sequence[int]) -> ReadingColumns:
    """Readings that count of some sites (rising numbers), from the tables that hold them."""
    source = (
        results.join(standing, standing.c.result == results.c.id)
        .join(readings, readings.c.result == results.c.id)
        .outerjoin(bark_scales, bark_scales.c.sha256 == results.c.sha256)
    )
    query = (
        select(results.c.site, readings.c.flags, *(type_coerce(column, Text) for column in _TEXTS), *_NUMBERS)
        .select_from(source)
        .where(results.c.kind == "reading")
        .order_by(results.c.site, results.c.visit_on, results.c.sha256)
    )
    rows: list[Row[Any]] = []
    for start in range(0, len(sites), CHUNK):
        rows += connection.execute(query.where(results.c.site.in_(sites[start : start + CHUNK]))).fetchall()
    columns: list[Sequence[Any]] = list(zip(*rows, strict=True)) or [()] * (2 + len(_TEXTS) + NUMBERS)
    site, flags, day, sha256, taken_at, texts, *numbers = columns
    return ReadingColumns(
        np.array(site, dtype=np.int64),
        np.array([ordinal_of(text) for text in day], dtype=np.int64),
        np.array(flags, dtype=np.int64),
        np.array(numbers, dtype=np.float64).reshape(NUMBERS, -1).T,
        list(sha256),
        list(taken_at),
        *_parts(texts),
    )


def _parts(texts: Sequence[str]) -> tuple[tuple[str, ...], NDArray[np.float64]]:
    """Names in JSON texts of named standard uncertainties, and the values, 0 where a text does not name one."""
    # most texts name the same parts: those that do are one table
    rows: dict[tuple[str, ...], list[int]] = {}
    values: dict[tuple[str, ...], list[list[float]]] = {}
    for k, parts in enumerate(json.loads(f"[{','.join(texts)}]")):
        names = tuple(parts)
        rows.setdefault(names, []).append(k)
        values.setdefault(names, []).append(list(parts.values()))
    every = tuple(sorted({name for names in rows for name in names}))
    place = {name: k for k, name in enumerate(every)}
    found = np.zeros((len(texts), len(every)))
    for names, which in rows.items():
        if names:
            at = np.array([place[name] for name in names], dtype=np.intp)
            found[np.ix_(np.array(which, dtype=np.intp), at)] = values[names]
    return every, found

"""Readings that count as plain columns: what a survey of a whole grove needs, without a record each."""

from __future__ import annotations

import json
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
    from sqlalchemy import Row

    from pipeline.store.connected import Connected

_TEXTS = (results.c.visit_on, results.c.sha256, results.c.taken_at, readings.c.area_sd_parts)
_NUMBERS = (
    *(readings.c[f"p_{stage.word}"] for stage in Stage),
    *(readings.c[size] for size in SIZES),
    *(readings.c[f"{size}_sd"] for size in SIZES),
    *(readings.c[f"p_{sign.value}"] for sign in Sign),
    *(readings.c[f"{sign.value}_area_mm2"] for sign in Sign),
    readings.c.sharpness_mm,
    readings.c.scale_px_per_mm,
    readings.c.view_angle_deg,
    bark_scales.c.same_place,
    *(bark_scales.c[name] for name in SCALE),
)
ordinal_of = lru_cache(maxsize=16384)(lambda text: date.fromisoformat(text).toordinal())


def reading_columns(store: Connected, sites: Sequence[int]) -> dict[str, Any]:
    """Readings that count of some sites (rising numbers), in order of site, day and hash.

    Returns
    -------
    dict
        ``site``, ``day`` (proleptic ordinal) and ``flags``: whole numbers, shape (N,); ``sha256`` and ``taken_at``:
        objects; ``stage_p`` (N, 6), ``size`` and ``size_sd`` (N, 4), ``sign_p`` and ``sign_area_mm2`` (N, 5),
        ``sharpness_mm``, ``scale_px_per_mm``, ``view_angle_deg``, ``same_place`` (N,), ``scale`` (N, 8, as in
        ``bark_tables.SCALE``): ``nan`` where there is none; ``area_sd_parts``: JSON texts.
    """
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
    with store._reading() as connection:
        for start in range(0, len(sites), CHUNK):
            rows += connection.execute(query.where(results.c.site.in_(sites[start : start + CHUNK]))).fetchall()
    columns: list[Sequence[Any]] = list(zip(*rows, strict=True)) or [()] * (2 + len(_TEXTS) + len(_NUMBERS))
    site, flags, day, sha256, taken_at, parts, *numbers = columns
    table = np.array(numbers, dtype=np.float64).reshape(len(_NUMBERS), -1).T
    names = ("stage_p", "size", "size_sd", "sign_p", "sign_area_mm2", "plain", "scale")
    widths = (len(Stage), len(SIZES), len(SIZES), len(Sign), len(Sign), 4, len(SCALE))
    found: dict[str, Any] = dict(zip(names, np.split(table, np.cumsum(widths)[:-1], axis=1), strict=True))
    plain = found.pop("plain").T
    found |= dict(zip(("sharpness_mm", "scale_px_per_mm", "view_angle_deg", "same_place"), plain, strict=True))
    return found | {
        "site": np.array(site, dtype=np.int64),
        "flags": np.array(flags, dtype=np.int64),
        "day": np.array([ordinal_of(text) for text in day], dtype=np.int64),
        "sha256": np.array(sha256, dtype=object),
        "taken_at": np.array([datetime.fromisoformat(text) for text in taken_at], dtype=object),
        "area_sd_parts": parts,
    }


def sums_of_parts(texts: Sequence[str], weigh: Callable[[str], Sequence[float]], count: int) -> NDArray[np.float64]:
    """Weighted sums of the variances in JSON texts of named standard uncertainties.

    Parameters
    ----------
    weigh
        Gives ``count`` weights for a name.

    Returns
    -------
    ndarray
        Shape (N, count).
    """
    found = np.zeros((len(texts), count))
    # most texts name the same parts: those that do are one table
    rows: dict[tuple[str, ...], list[int]] = {}
    values: dict[tuple[str, ...], list[list[float]]] = {}
    for k, parts in enumerate(json.loads(f"[{','.join(texts)}]")):
        names = tuple(parts)
        rows.setdefault(names, []).append(k)
        values.setdefault(names, []).append(list(parts.values()))
    for names, which in rows.items():
        if names:
            weights = np.array([weigh(name) for name in names], dtype=np.float64)
            found[which] = np.square(np.array(values[names], dtype=np.float64)) @ weights
    return found

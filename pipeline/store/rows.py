"""Records to rows and back; nothing here talks to a database."""

from __future__ import annotations

import math
from dataclasses import fields
from datetime import date
from typing import TYPE_CHECKING, Any

from pipeline.records import (
    Event,
    EventKind,
    Finding,
    Flag,
    Outlines,
    PhotoStage,
    Reading,
    Refusal,
    RefusalCode,
    Severity,
    Sign,
    SignReading,
    Stage,
)
from pipeline.store.tables import SIZES

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from sqlalchemy import RowMapping

    from pipeline.records import Polygon

_LAB = ("L", "a", "b")
_PLAIN = ("new_tissue_width_mm", "scale_px_per_mm", "view_angle_deg", "sharpness_mm", "resin_p", "lookalike_p")


def storable(text: str) -> str:
    r"""Text that a database can hold: bytes of a file name that are no characters are written as ``\xNN``."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _float(value: float | None) -> float | None:
    return None if value is None else float(value)


# ---------------------------------------------------------------- readings


def reading_row(reading: Reading) -> dict[str, Any]:
    """Columns of ``readings`` (without the key)."""
    row: dict[str, Any] = {f"p_{stage.word}": float(reading.stage_p[stage]) for stage in Stage}
    row["p_not_a_site"] = float(reading.not_a_site_p)
    for name in (*SIZES, *(f"{size}_sd" for size in SIZES), *_PLAIN):
        row[name] = _float(getattr(reading, name))
    for values, end in ((reading.wood_lab, ""), (reading.wood_lab_sd, "_sd")):
        for part, value in zip(_LAB, values or (None, None, None), strict=True):
            row[f"wood_{part}{end}"] = _float(value)
    for sign in Sign:
        seen = reading.signs.get(sign)
        row[f"p_{sign.value}"] = _float(seen.p) if seen else None
        row[f"{sign.value}_area_mm2"] = _float(seen.area_mm2) if seen else None
        row[f"{sign.value}_rim_distance_mm"] = _float(seen.rim_distance_mm) if seen else None
    x, y = reading.centroid_mm or (None, None)
    row |= {"centroid_x_mm": _float(x), "centroid_y_mm": _float(y)}
    row |= {"flags": int(reading.flags), "device": storable(reading.device)}
    row["area_sd_parts"] = {name: float(value) for name, value in reading.area_sd_parts.items()}
    return row


def reading_of(row: RowMapping) -> Reading:
    """The record of a row of ``results`` joined with ``readings`` and, if asked for, ``outlines``."""
    signs = {
        sign: SignReading(row[f"p_{sign.value}"], row[f"{sign.value}_area_mm2"], row[f"{sign.value}_rim_distance_mm"])
        for sign in Sign
        if row[f"p_{sign.value}"] is not None
    }
    x, y = row["centroid_x_mm"], row["centroid_y_mm"]
    return Reading(
        file=row["file"],
        sha256=row["sha256"],
        site=row["site"],
        taken_at=row["taken_at"],
        visit_on=row["visit_on"],
        stage_p=tuple(row[f"p_{stage.word}"] for stage in Stage),
        signs=signs,
        not_a_site_p=row["p_not_a_site"],
        wood_lab=_triple(row, ""),
        wood_lab_sd=_triple(row, "_sd"),
        flags=Flag(row["flags"]),
        outlines=outlines_of(row["outlines"]) if row.get("outlines") else Outlines(),
        model=row["model"],
        settings=row["settings"],
        area_sd_parts=row["area_sd_parts"],
        device=row["device"],
        centroid_mm=None if x is None or y is None else (x, y),
        stated_at=row["stated_at"],
        **{name: row[name] for name in (*SIZES, *(f"{size}_sd" for size in SIZES), *_PLAIN)},
    )


def _triple(row: RowMapping, end: str) -> tuple[float, float, float] | None:
    lightness, a, b = (row[f"wood_{part}{end}"] for part in _LAB)
    return None if lightness is None else (lightness, a, b)


def refusal_of(row: RowMapping) -> Refusal:
    """The record of a row of ``results`` joined with ``refusals``."""
    return Refusal(
        file=row["file"],
        sha256=row["sha256"],
        stage=PhotoStage(row["stage"]),
        reason=row["reason"],
        remedy=row["remedy"],
        taken_at=row["taken_at"],
        site=row["site"],
        fault=bool(row["fault"]),
        code=code_of(row["code"]),
        device=row["device"] or "",
        stated_at=row["stated_at"],
    )


def code_of(text: str | None) -> RefusalCode:
    """The code of a stored refusal; ``UNCODED`` for one of before there were codes, or of another version."""
    return RefusalCode(text) if text in set(RefusalCode) else RefusalCode.UNCODED


def not_finite(reading: Reading) -> str | None:
    """Name of the first figure that is not a number or infinite, or ``None``; such a reading must not be kept."""
    row = reading_row(reading)
    row |= row.pop("area_sd_parts")
    return next((name for name, value in row.items() if isinstance(value, float) and not math.isfinite(value)), None)


# ---------------------------------------------------------------- what is kept as JSON


def _polygons(polygons: Iterable[Polygon]) -> list[list[list[float]]]:
    return [[[float(x), float(y)] for x, y in polygon] for polygon in polygons]


def _polygons_of(content: Iterable[Iterable[Iterable[float]]]) -> tuple[Polygon, ...]:
    return tuple(tuple((x, y) for x, y in polygon) for polygon in content)


def outlines_json(outlines: Outlines) -> dict[str, Any]:
    """Outlines as plain JSON."""
    return {
        "aperture": _polygons(outlines.aperture),
        "new_tissue": _polygons(outlines.new_tissue),
        "signs": {sign.value: _polygons(polygons) for sign, polygons in outlines.signs.items()},
    }


def outlines_of(content: Mapping[str, Any]) -> Outlines:
    """Outlines back from JSON."""
    return Outlines(
        aperture=_polygons_of(content["aperture"]),
        new_tissue=_polygons_of(content["new_tissue"]),
        signs={Sign(name): _polygons_of(polygons) for name, polygons in content["signs"].items()},
    )


def finding_json(finding: Finding) -> dict[str, Any]:
    """A finding as plain JSON."""
    content: dict[str, Any] = {item.name: getattr(finding, item.name) for item in fields(Finding)}
    content |= {"severity": finding.severity.value, "since": finding.since.isoformat(), "photos": list(finding.photos)}
    content["figures"] = {name: float(value) for name, value in finding.figures.items()}
    return content


def finding_of(content: Mapping[str, Any]) -> Finding:
    """A finding back from JSON."""
    return Finding(
        **{
            **content,
            "severity": Severity(content["severity"]),
            "since": date.fromisoformat(content["since"]),
            "photos": tuple(content["photos"]),
        }
    )


def event_json(event: Event) -> dict[str, Any]:
    """A register event as plain JSON."""
    content: dict[str, Any] = {item.name: getattr(event, item.name) for item in fields(Event)}
    return content | {"on": event.on.isoformat(), "event": event.event.value}


def event_of(content: Mapping[str, Any]) -> Event:
    """A register event back from JSON."""
    return Event(**{**content, "on": date.fromisoformat(content["on"]), "event": EventKind(content["event"])})

"""A record as a row of its table, by column; what is missing is ``None`` or not there."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from pipeline.export.tables import BOUNDS, MEASURED, PIECES, RATES, RIM_RATES
from pipeline.records import Sign, Stage

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from typing import TypeAlias

    from pipeline.records import (
        Alert,
        Interval,
        PhotoFacts,
        Reading,
        Review,
        RimField,
        RimShift,
        SignReading,
        Trend,
        Visit,
    )

    Row: TypeAlias = dict[str, Any]


def photo_row(facts: PhotoFacts) -> Row:
    """A row of ``photos``."""
    return {
        "file": facts.file,
        "sha256": facts.sha256,
        "taken_at": facts.taken_at,
        "site": facts.site,
        "outcome": facts.outcome.value,
        "stage_of_refusal": facts.stage_of_refusal,
        "reason": facts.reason,
        "remedy": facts.remedy,
        "arrived_at": facts.arrived_at,
        "size_bytes": facts.size_bytes,
    }


def _seen(stage: Stage, stage_p: Sequence[float], signs: Mapping[Sign, SignReading]) -> Row:
    row: Row = {"stage": stage.word}
    row |= {f"p_{each.word}": stage_p[each] for each in Stage}
    row |= {f"p_{sign.value}": seen.p for sign, seen in signs.items()}
    row["p_any_sign"] = max((seen.p for seen in signs.values()), default=None)
    row |= {f"{sign.value}_area_mm2": seen.area_mm2 for sign, seen in signs.items()}
    return row


def _wood(lab: tuple[float, float, float] | None) -> Row:
    lightness, a, b = lab or (None, None, None)
    return {"wood_L": lightness, "wood_a": a, "wood_b": b}


def reading_row(reading: Reading, tree: str, stem: str, use: tuple[int | None, int | None]) -> Row:
    """A row of ``readings``; ``use`` is the episode and whether the photo stands for its visit."""
    episode, used = use
    row: Row = {"file": reading.file, "sha256": reading.sha256, "site": reading.site, "tree": tree, "stem": stem}
    row |= {"taken_at": reading.taken_at, "visit_on": reading.visit_on, "episode": episode, "used": used}
    row |= {name: getattr(reading, name) for name in MEASURED}
    row |= _seen(reading.stage, reading.stage_p, reading.signs)
    row |= _wood(reading.wood_lab)
    row |= {
        "p_not_a_site": reading.not_a_site_p,
        "scale_px_per_mm": reading.scale_px_per_mm,
        "view_angle_deg": reading.view_angle_deg,
        "sharpness_mm": reading.sharpness_mm,
        "flags": ";".join(reading.flags.names),
        "model": reading.model,
        "settings": reading.settings,
        "new_tissue_width_mm": reading.new_tissue_width_mm,
        "p_resin": reading.resin_p,
        "p_lookalike": reading.lookalike_p,
    }
    return row


def visit_row(visit: Visit, tree: str, stem: str, *, is_wound: bool = True) -> Row:
    """A row of ``visits``; bark that is watched has no stage."""
    row: Row = {"site": visit.site, "tree": tree, "stem": stem, "visit_on": visit.visit_on, "episode": visit.episode}
    row["photos"] = len(visit.photos)
    row |= {name: getattr(visit, name) for name in MEASURED}
    row |= _seen(visit.stage, visit.stage_posterior or visit.stage_p, visit.signs)
    if not is_wound:
        row |= dict.fromkeys(("stage", *(f"p_{each.word}" for each in Stage)))
    row |= _wood(visit.wood_lab)
    for name in ("rim_advance_mm", "rim_advance_mm_sd", "width_change_mm", "width_change_mm_sd", "same_place"):
        row[name] = getattr(visit, name)
    row |= {"flags": ";".join(visit.flags.names), "sha256": visit.chosen_sha256}
    for name, piece in PIECES.items():
        shift: RimShift | None = None if visit.rim_field is None else getattr(visit.rim_field, piece)
        if shift is not None:
            row |= _bounded(f"{name}_advance_mm", shift.advance_mm, shift.advance_mm_sd)
    row["put_right"] = ";".join(f"{c.what} by {c.who} {c.on.isoformat()}" for c in visit.corrections)
    return row


def _bounded(name: str, value: float, sd: float) -> Row:
    """A value with its standard uncertainty and its 95 % interval."""
    return dict(zip((f"{name}{end}" for end in BOUNDS), (value, sd, value - 1.96 * sd, value + 1.96 * sd), strict=True))


def arc_rows(visit: Visit, field: RimField, tree: str, stem: str) -> list[Row]:
    """Rows of ``rim_arcs`` of one visit; arcs are numbered as in :class:`~pipeline.records.RimField`, from 1."""
    rows: list[Row] = []
    for number, arc in enumerate(field.arcs, 1):
        row: Row = {"site": visit.site, "tree": tree, "stem": stem, "visit_on": visit.visit_on, "arc": number}
        row |= {"part": arc.part.value, "x_mm": arc.x_mm, "y_mm": arc.y_mm, "length_mm": arc.length_mm}
        row |= _bounded("advance_mm", arc.advance_mm, arc.advance_mm_sd)
        rows.append(row | {"move": arc.move.value, "earlier_sha256": field.earlier, "sha256": field.later})
    return rows


def trend_row(trend: Trend, tree: str, stem: str) -> Row:
    """A row of ``trends``."""
    row: Row = {"site": trend.site, "episode": trend.episode, "from": trend.from_on, "to": trend.to_on}
    row["visits"] = trend.visits
    for rate in (*RATES, *RIM_RATES):
        interval: Interval | None = getattr(trend, rate)
        if interval is not None:
            row |= {rate: interval.value, f"{rate}_lo": interval.lo, f"{rate}_hi": interval.hi}
    if trend.forecast is not None:
        for name in ("closes_on", "closes_on_lo", "closes_on_hi"):
            row[name] = getattr(trend.forecast, name)
    return row | {"why_no_forecast": trend.why_no_forecast, "tree": tree, "stem": stem}


def alert_row(alert: Alert) -> Row:
    """A row of ``alerts``."""
    finding = alert.finding
    row: Row = {"id": alert.id, "severity": finding.severity.value, "state": alert.state.value}
    for name in ("rule", "site", "stem", "tree", "why", "threshold", "source", "next_step", "caution"):
        row[name] = getattr(finding, name)
    for name in ("opened_on", "updated_on", "closed_on", "closed_by"):
        row[name] = getattr(alert, name)
    return row


def review_row(review: Review) -> Row:
    """A row of ``reviews``."""
    return {
        "id": review.id,
        "at": review.at,
        "who": review.who,
        "answer": review.answer.value,
        "site": review.site,
        "sha256": review.sha256,
        "alert": review.alert,
        "sign": None if review.sign is None else review.sign.value,
        "stage": None if review.stage is None else review.stage.word,
        "note": review.note,
        "payload": json.dumps(review.payload, ensure_ascii=False, sort_keys=True) if review.payload else None,
        "replaces": review.replaces,
    }

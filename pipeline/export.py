"""The grove's tables as CSV and Parquet, for any spreadsheet, R or pandas.

Columns, units and meanings are in ``docs/export.md``.  Every table is written even when it is empty,
with every column; an empty cell means not measured, never 0.  The same data give the same bytes.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.records import Sign, Stage

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path
    from typing import TypeAlias

    import pyarrow as pa

    from pipeline.grove import Grove
    from pipeline.records import (
        Alert,
        Interval,
        PhotoFacts,
        Reading,
        Review,
        RimField,
        RimShift,
        SignReading,
        TreeHealth,
        Trend,
        Visit,
    )
    from pipeline.store import Store

    Assess: TypeAlias = Callable[[Sequence[str]], Iterable[TreeHealth]]
    """Gives the health of the trees named."""

    Row: TypeAlias = dict[str, Any]

TREES_AT_A_TIME = 50
VISITS_AT_A_TIME = 500

_SIZES = ("aperture_area_mm2", "aperture_width_mm", "aperture_height_mm", "aperture_perimeter_mm")
_MEASURED: dict[str, str] = {f"{size}{end}": "number" for size in _SIZES for end in ("", "_sd")}
_SEEN: dict[str, str] = {
    "stage": "text",
    **{f"p_{stage.word}": "number" for stage in Stage},
    **{f"p_{sign.value}": "number" for sign in Sign},
    "p_any_sign": "number",
    **{f"{sign.value}_area_mm2": "number" for sign in Sign},
}
_RATES = ("area_closure_pct", "width_closure_rate_mm_per_year", "rim_advance_rate_mm_per_month")
_RIM_RATES = ("side_advance_rate_mm_per_month", "end_advance_rate_mm_per_month")
_PIECES = {"side": "sides", "end": "ends"}
_BOUNDS = ("", "_sd", "_lo", "_hi")

TABLES: dict[str, dict[str, str]] = {
    "photos": {
        "file": "text",
        "sha256": "text",
        "taken_at": "moment",
        "site": "whole",
        "outcome": "text",
        "stage_of_refusal": "text",
        "reason": "text",
        "remedy": "text",
        "arrived_at": "moment",
        "size_bytes": "whole",
    },
    "readings": {
        "file": "text",
        "sha256": "text",
        "site": "whole",
        "tree": "text",
        "stem": "text",
        "taken_at": "moment",
        "visit_on": "day",
        "episode": "whole",
        "used": "whole",
        **_MEASURED,
        **_SEEN,
        "p_not_a_site": "number",
        **{f"wood_{part}": "number" for part in ("L", "a", "b")},
        "scale_px_per_mm": "number",
        "view_angle_deg": "number",
        "sharpness_mm": "number",
        "flags": "text",
        "model": "text",
        "settings": "text",
        "new_tissue_width_mm": "number",
        "p_resin": "number",
        "p_lookalike": "number",
    },
    "visits": {
        "site": "whole",
        "tree": "text",
        "stem": "text",
        "visit_on": "day",
        "episode": "whole",
        "photos": "whole",
        **_MEASURED,
        **_SEEN,
        **{f"wood_{part}": "number" for part in ("L", "a", "b")},
        "rim_advance_mm": "number",
        "rim_advance_mm_sd": "number",
        "width_change_mm": "number",
        "width_change_mm_sd": "number",
        "same_place": "number",
        "flags": "text",
        "sha256": "text",
        **{f"{piece}_advance_mm{end}": "number" for piece in _PIECES for end in _BOUNDS},
        "put_right": "text",
    },
    "rim_arcs": {
        "site": "whole",
        "tree": "text",
        "stem": "text",
        "visit_on": "day",
        "arc": "whole",
        "part": "text",
        "x_mm": "number",
        "y_mm": "number",
        "length_mm": "number",
        **{f"advance_mm{end}": "number" for end in _BOUNDS},
        "move": "text",
        "earlier_sha256": "text",
        "sha256": "text",
    },
    "trends": {
        "site": "whole",
        "episode": "whole",
        "from": "day",
        "to": "day",
        "visits": "whole",
        **{f"{rate}{end}": "number" for rate in _RATES for end in ("", "_lo", "_hi")},
        "closes_on": "day",
        "closes_on_lo": "day",
        "closes_on_hi": "day",
        "why_no_forecast": "text",
        "tree": "text",
        "stem": "text",
        **{f"{rate}{end}": "number" for rate in _RIM_RATES for end in ("", "_lo", "_hi")},
    },
    "alerts": {
        "id": "whole",
        "rule": "text",
        "severity": "text",
        "site": "whole",
        "stem": "text",
        "tree": "text",
        "opened_on": "day",
        "updated_on": "day",
        "state": "text",
        "closed_on": "day",
        "closed_by": "text",
        "why": "text",
        "threshold": "text",
        "source": "text",
        "next_step": "text",
        "caution": "text",
    },
    "reviews": {
        "id": "whole",
        "at": "moment",
        "who": "text",
        "answer": "text",
        "site": "whole",
        "sha256": "text",
        "alert": "whole",
        "sign": "text",
        "stage": "text",
        "note": "text",
        "payload": "text",
        "replaces": "whole",
    },
}
"""Every table with its columns in order and the kind of each: text, whole, number, day or moment."""


def write(store: Store, grove: Grove, folder: Path, assess: Assess) -> list[Path]:
    """Write all tables into a folder; each file is replaced whole.

    Parameters
    ----------
    store, grove
        Where the data come from.
    folder
        Made if it is not there.
    assess
        Gives the health of some trees, e.g. :func:`pipeline.assess.assess_trees` with the rest filled in.

    Returns
    -------
    list of Path
        The files, CSV and Parquet of a table after each other.
    """
    folder.mkdir(parents=True, exist_ok=True)
    places = {number: (site.tree, site.stem) for number, site in grove.register.sites.items()}
    panels = {number for number, site in grove.register.sites.items() if not site.is_wound}
    over_time = _OverTime.of(assess, tuple(grove.register.trees))
    rows: dict[str, Iterator[Row]] = {
        "photos": (photo_row(facts) for facts in store.photo_facts()),
        "readings": (
            reading_row(reading, *places.get(reading.site, ("", "")), over_time.use_of(reading))
            for reading in store.readings(with_outlines=False)
        ),
        "visits": (
            visit_row(visit, *places.get(visit.site, ("", "")), is_wound=visit.site not in panels)
            for visit in over_time.visits
        ),
        "rim_arcs": _arc_rows(store, over_time.visits, places),
        "trends": (trend_row(trend, *places.get(trend.site, ("", ""))) for trend in over_time.trends),
        "alerts": (alert_row(alert) for alert in sorted(store.alerts(), key=lambda alert: alert.id)),
        "reviews": (review_row(review) for review in store.reviews()),
    }
    files: list[Path] = []
    for name, columns in TABLES.items():
        files += _write_table(folder, name, columns, rows[name], grove.settings.grove.timezone)
    return files


@dataclass(frozen=True, slots=True)
class _OverTime:
    """Visits and trends of all sites, in order of site and time, and which photo stands for which visit."""

    visits: list[Visit]
    trends: list[Trend]
    chosen: dict[str, int]
    """Episode by hash of a photo that stands for its visit."""
    episodes: dict[str, int]
    """Episode by hash of any photo of a visit."""

    @classmethod
    def of(cls, assess: Assess, trees: Sequence[str]) -> _OverTime:
        visits: list[Visit] = []
        trends: list[Trend] = []
        for start in range(0, len(trees), TREES_AT_A_TIME):
            for health in assess(trees[start : start + TREES_AT_A_TIME]):
                for history in health.sites:
                    visits += history.visits
                    trends += history.trends
        visits.sort(key=lambda visit: (visit.site, visit.visit_on))
        trends.sort(key=lambda trend: (trend.site, trend.episode))
        return cls(
            visits,
            trends,
            {visit.chosen_sha256: visit.episode for visit in visits},
            {sha256: visit.episode for visit in visits for sha256 in visit.photos},
        )

    def use_of(self, reading: Reading) -> tuple[int | None, int | None]:
        """Episode of a reading, and 1 if it stands for its visit; empty for a site that left the register."""
        episode = self.episodes.get(reading.sha256)
        return episode, None if episode is None else int(reading.sha256 in self.chosen)


# ---------------------------------------------------------------- rows


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
    row |= {name: getattr(reading, name) for name in _MEASURED}
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
    row |= {name: getattr(visit, name) for name in _MEASURED}
    row |= _seen(visit.stage, visit.stage_posterior or visit.stage_p, visit.signs)
    if not is_wound:
        row |= dict.fromkeys(("stage", *(f"p_{each.word}" for each in Stage)))
    row |= _wood(visit.wood_lab)
    for name in ("rim_advance_mm", "rim_advance_mm_sd", "width_change_mm", "width_change_mm_sd", "same_place"):
        row[name] = getattr(visit, name)
    row |= {"flags": ";".join(visit.flags.names), "sha256": visit.chosen_sha256}
    for name, piece in _PIECES.items():
        shift: RimShift | None = None if visit.rim_field is None else getattr(visit.rim_field, piece)
        if shift is not None:
            row |= _bounded(f"{name}_advance_mm", shift.advance_mm, shift.advance_mm_sd)
    row["put_right"] = ";".join(f"{c.what} by {c.who} {c.on.isoformat()}" for c in visit.corrections)
    return row


def _bounded(name: str, value: float, sd: float) -> Row:
    """A value with its standard uncertainty and its 95 % interval."""
    return dict(
        zip((f"{name}{end}" for end in _BOUNDS), (value, sd, value - 1.96 * sd, value + 1.96 * sd), strict=True)
    )


def arc_rows(visit: Visit, field: RimField, tree: str, stem: str) -> list[Row]:
    """Rows of ``rim_arcs`` of one visit; arcs are numbered as in :class:`~pipeline.records.RimField`, from 1."""
    rows: list[Row] = []
    for number, arc in enumerate(field.arcs, 1):
        row: Row = {"site": visit.site, "tree": tree, "stem": stem, "visit_on": visit.visit_on, "arc": number}
        row |= {"part": arc.part.value, "x_mm": arc.x_mm, "y_mm": arc.y_mm, "length_mm": arc.length_mm}
        row |= _bounded("advance_mm", arc.advance_mm, arc.advance_mm_sd)
        rows.append(row | {"move": arc.move.value, "earlier_sha256": field.earlier, "sha256": field.later})
    return rows


def _arc_rows(store: Store, visits: Sequence[Visit], places: Mapping[int, tuple[str, str]]) -> Iterator[Row]:
    """Arcs of all visits, read from the store some visits at a time."""
    moved = [(visit, visit.rim_field.later) for visit in visits if visit.rim_field is not None]
    for start in range(0, len(moved), VISITS_AT_A_TIME):
        some = moved[start : start + VISITS_AT_A_TIME]
        fields = store.rim_fields_of(later for _, later in some)
        for visit, later in some:
            yield from arc_rows(visit, fields[later], *places.get(visit.site, ("", "")))


def trend_row(trend: Trend, tree: str, stem: str) -> Row:
    """A row of ``trends``."""
    row: Row = {"site": trend.site, "episode": trend.episode, "from": trend.from_on, "to": trend.to_on}
    row["visits"] = trend.visits
    for rate in (*_RATES, *_RIM_RATES):
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


# ---------------------------------------------------------------- files


def _write_table(folder: Path, name: str, columns: Mapping[str, str], rows: Iterable[Row], zone: str) -> list[Path]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    values: dict[str, list[Any]] = {column: [] for column in columns}
    for row in rows:
        for column, cells in values.items():
            cell = row.get(column)
            cells.append(None if cell == "" else cell)
    table = pa.table(values, schema=pa.schema([(column, _type(kind, zone)) for column, kind in columns.items()]))
    return [
        _replace(folder / f"{name}.csv", lambda path: _write_csv(table, path)),
        _replace(folder / f"{name}.parquet", lambda path: pq.write_table(table, path)),
    ]


def _type(kind: str, zone: str) -> pa.DataType:
    import pyarrow as pa

    return {
        "text": pa.string(),
        "whole": pa.int64(),
        "number": pa.float64(),
        "day": pa.date32(),
        "moment": pa.timestamp("us", tz=zone),
    }[kind]


def _write_csv(table: pa.Table, path: Path) -> None:
    """Through pandas: every number with all its digits, whole numbers whole also where some are missing."""
    frame = table.to_pandas(integer_object_nulls=True)
    for column, kind in zip(table.column_names, table.schema.types, strict=True):
        if str(kind).startswith("timestamp"):
            frame[column] = [None if moment is None else moment.isoformat() for moment in table[column].to_pylist()]
    frame.to_csv(path, index=False, encoding="utf-8", lineterminator="\n")


def _replace(path: Path, write_to: Callable[[Path], None]) -> Path:
    """Write beside, then put in place: a reader never sees half a table."""
    half = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        write_to(half)
        half.replace(path)
    finally:
        half.unlink(missing_ok=True)
    return path

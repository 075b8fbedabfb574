"""The grove's tables as CSV and Parquet, for any spreadsheet, R or pandas.

Columns, units and meanings are in ``docs/export.md``.  Every table is written even when it is empty,
with every column; an empty cell means not measured, never 0.  The same data give the same bytes.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.export.rows import alert_row, arc_rows, photo_row, reading_row, review_row, trend_row, visit_row
from pipeline.export.tables import TABLES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path
    from typing import TypeAlias

    import pyarrow as pa

    from pipeline.export.rows import Row
    from pipeline.grove import Grove
    from pipeline.records import Reading, TreeHealth, Trend, Visit
    from pipeline.store import Store

    Assess: TypeAlias = Callable[[Sequence[str]], Iterable[TreeHealth]]
    """Gives the health of the trees named."""

__all__ = [
    "TABLES",
    "alert_row",
    "arc_rows",
    "photo_row",
    "reading_row",
    "review_row",
    "trend_row",
    "visit_row",
    "write",
]

TREES_AT_A_TIME = 50
VISITS_AT_A_TIME = 500


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


def _arc_rows(store: Store, visits: Sequence[Visit], places: Mapping[int, tuple[str, str]]) -> Iterator[Row]:
    """Arcs of all visits, read from the store some visits at a time."""
    moved = [(visit, visit.rim_field.later) for visit in visits if visit.rim_field is not None]
    for start in range(0, len(moved), VISITS_AT_A_TIME):
        some = moved[start : start + VISITS_AT_A_TIME]
        fields = store.rim_fields_of(later for _, later in some)
        for visit, later in some:
            yield from arc_rows(visit, fields[later], *places.get(visit.site, ("", "")))


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

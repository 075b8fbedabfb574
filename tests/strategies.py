"""Hypothesis strategies for records: whatever a record may hold, not only what is likely."""

from __future__ import annotations

from dataclasses import fields
from datetime import date, timedelta, timezone

from hypothesis import strategies as st

from pipeline.records import Finding, Flag, Outlines, PhotoStage, Reading, Refusal, Severity, Sign, SignReading, Stage
from tests.made_records import MODEL, NOON, SETTINGS

finite = st.floats(allow_nan=False, allow_infinity=False, width=64)
maybe = st.none() | finite
zones = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
moments = st.builds(lambda hours, zone: (NOON + timedelta(hours=hours)).astimezone(zone), st.floats(-3e5, 6e5), zones)
days = st.dates(date(1990, 1, 1), date(2100, 1, 1))
words = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
hashes = st.binary(min_size=32, max_size=32).map(bytes.hex)
triples = st.tuples(finite, finite, finite)
polygons = st.lists(st.lists(st.tuples(finite, finite), max_size=4).map(tuple), max_size=3).map(tuple)
flags = st.integers(0, 2 ** len(Flag) - 1).map(Flag)
outlines = st.builds(
    Outlines, aperture=polygons, new_tissue=polygons, signs=st.dictionaries(st.sampled_from(Sign), polygons)
)
sign_readings = st.dictionaries(
    st.sampled_from(Sign), st.builds(SignReading, p=finite, area_mm2=maybe, rim_distance_mm=maybe)
)
_by_type = {
    "str": words,
    "float": finite,
    "float | None": maybe,
    "datetime": moments,
    "date": days,
    "Flag": flags,
    "Outlines": outlines,
    "dict[Sign, SignReading]": sign_readings,
    "dict[str, float]": st.dictionaries(words, finite, max_size=3),
    "tuple[float, float, float] | None": st.none() | triples,
    "tuple[float, float] | None": st.none() | st.tuples(finite, finite),
}
_by_name = {
    "sha256": hashes,
    "site": st.integers(0, 344_568),
    "stage_p": st.tuples(*[finite] * len(Stage)),
    "model": st.just(MODEL),
    "settings": st.just(SETTINGS),
    "same_place": st.none(),  # not part of a stored reading
    "rim_field": st.none(),  # kept beside it
    "stated_at": st.none(),  # only where a person corrected the clock
    "corrections": st.just(()),  # taken from the answers that stand
}
readings = st.builds(Reading, **{f.name: _by_name.get(f.name, _by_type.get(str(f.type))) for f in fields(Reading)})
refusals = st.builds(
    Refusal,
    file=words,
    sha256=hashes,
    stage=st.sampled_from(PhotoStage),
    reason=words,
    remedy=words,
    taken_at=st.none() | moments,
    site=st.none() | st.integers(0, 344_568),
    fault=st.booleans(),
)
findings = st.builds(
    Finding,
    key=words,
    rule=words,
    severity=st.sampled_from(Severity),
    tree=words,
    stem=words,
    site=st.none() | st.integers(0, 344_568),
    since=days,
    why=words,
    figures=st.dictionaries(words, finite, max_size=3),
    threshold=words,
    source=words,
    next_step=words,
    caution=words,
    photos=st.lists(hashes, max_size=3).map(tuple),
)

"""Packed readings of a site against the tables that they are a copy of; what changes one removes its row."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pipeline.records import BarkScale
from pipeline.store import open_store, packs
from pipeline.store.bark import Tie
from pipeline.store.reading_columns import ReadingColumns, columns_from_rows
from tests import made_records as made

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pipeline.store import Store

SITES = [205, 206, 207]
NOBODY = 999


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    monkeypatch.setattr(packs, "PACK_FROM", 1)
    with open_store(tmp_path / "grove.sqlite") as opened:
        readings = [
            made.reading(f"{site} {k}.jpg", site=site, area_sd_parts={"girth": 2.0, part: 1.5 + k})
            for site, part in zip(SITES, ("rim", "softness", "reader"), strict=True)
            for k in range(3)
        ]
        readings.append(made.reading("bare.jpg", site=207, area_sd_parts={}, aperture_area_mm2=None))
        opened.record_arrivals([made.arrival(r.file) for r in readings])
        opened.use_reader(readings[0].model, readings[0].settings, made.NOON)
        opened.save_results(
            readings, model=readings[0].model, settings=readings[0].settings, read_at=made.NOON, program="0"
        )
        scale = BarkScale(1.01, 1.02, 1.03, 0.02, 0.01, 0.01, 0.015, 0.0075)
        opened.save_ties([], {readings[0].sha256: Tie(0.8, scale), readings[4].sha256: Tie(None, None)}, "1")
        yield opened


def packed(store: Store) -> set[int]:
    with closing(sqlite3.connect(store.path)) as raw:
        return {row[0] for row in raw.execute("SELECT site FROM packed_readings")}


def same(one: ReadingColumns, other: ReadingColumns) -> None:
    for name in ("site", "day", "flags", "numbers"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    assert (one.sha256, one.taken_at) == (other.sha256, other.taken_at)
    assert sorted(one.parts) == sorted(other.parts)
    np.testing.assert_array_equal(one.naming(other.parts), other.part_sds)


def from_rows(store: Store) -> ReadingColumns:
    with store._reading() as connection:
        return columns_from_rows(connection, SITES)


def test_a_packed_site_is_what_its_rows_are(store: Store) -> None:
    rows = from_rows(store)
    assert rows.site.tolist() == sorted(rows.site.tolist())
    assert rows.site.size == 10
    same(store.reading_columns([*SITES, NOBODY]), rows)  # from the rows, and packs them
    assert packed(store) == {*SITES, NOBODY}
    same(store.reading_columns([*SITES, NOBODY]), rows)  # from the packs
    assert store.reading_columns([NOBODY]).site.size == 0


def test_packed_and_other_sites_together(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    store.reading_columns([205, 207])
    monkeypatch.setattr(packs, "PACK_FROM", 50)
    same(store.reading_columns(SITES), from_rows(store))
    assert packed(store) == {205, 207}  # one site is not worth a transaction


def test_another_layout_is_made_again(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    store.reading_columns(SITES)
    with closing(sqlite3.connect(store.path)) as raw:
        raw.execute("UPDATE packed_readings SET numbers = x'', layout = layout - 1")
        raw.commit()
    same(store.reading_columns(SITES), from_rows(store))


FIRST = "(SELECT id FROM results WHERE site = 206 ORDER BY id LIMIT 1)"
PHOTO = "(SELECT sha256 FROM results WHERE site = 206 ORDER BY id LIMIT 1)"


@pytest.mark.parametrize(
    "change",
    [
        f"UPDATE results SET taken_at = '2026-05-03T07:00:00+07:00' WHERE id = {FIRST}",
        f"UPDATE readings SET flags = flags + 1 WHERE result = {FIRST}",
        f"UPDATE standing SET result = result WHERE result = {FIRST}",
        f"DELETE FROM standing WHERE result = {FIRST}",
        f"DELETE FROM readings WHERE result = {FIRST}",
        f"DELETE FROM results WHERE id = {FIRST}",
        f"INSERT INTO bark_scales (sha256, basis, same_place) VALUES ({PHOTO}, 'x', 0.5)",
    ],
)
def test_what_changes_a_site_unpacks_it_and_no_other(store: Store, change: str) -> None:
    store.reading_columns(SITES)
    with closing(sqlite3.connect(store.path)) as raw:
        raw.execute("PRAGMA foreign_keys = ON")
        assert raw.execute(change).rowcount == 1
        raw.commit()
    assert packed(store) == {205, 207}
    same(store.reading_columns(SITES), from_rows(store))


def test_a_new_photo_its_scale_and_another_reader_unpack(store: Store) -> None:
    store.reading_columns(SITES)
    new = made.reading("new.jpg", site=205)
    store.record_arrivals([made.arrival(new.file)])
    store.save_results([new], model=new.model, settings=new.settings, read_at=made.NOON, program="0")
    assert packed(store) == {206, 207}
    store.reading_columns(SITES)
    store.save_ties([], {new.sha256: Tie(0.4, None)}, "1")
    assert packed(store) == {206, 207}
    store.reading_columns(SITES)
    store.use_reader("another 1", new.settings, made.NOON)
    assert packed(store) == set(SITES)  # it has read nothing yet, so the older results still count
    store.use_reader(new.model, new.settings, made.NOON)
    assert packed(store) == set()
    same(store.reading_columns(SITES), from_rows(store))

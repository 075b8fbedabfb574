"""Photos without a card: drawn ones, placed by the bark of a photo of the same site and of no other."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from pipeline import cache, cardless, flow, intake, placing, readers, trunk
from pipeline.batch.reading import Count
from pipeline.batch.without_card import place_without_card
from pipeline.cardless import Known
from pipeline.crew import Orders
from pipeline.grove import Grove
from pipeline.records import (
    Arrival,
    Flag,
    PhotoSettled,
    Reading,
    Refusal,
    RefusalCode,
    Register,
    Site,
    Stem,
    Tree,
    WoundKind,
)
from pipeline.scenes import (
    BarkSpec,
    CameraSpec,
    CardHang,
    LightSpec,
    PhotoTags,
    SceneSpec,
    WoundState,
    render,
    write_photo,
)
from pipeline.scenes.geometry import view_of
from pipeline.settings import Settings
from pipeline.store import Store, open_store

NOON = datetime(2026, 5, 3, 5, tzinfo=UTC)
RADIUS_MM = 90.0
SITES = {n: Site(n, f"T-{n}", WoundKind.WINDOW, girth_mm=2 * np.pi * RADIUS_MM) for n in (31, 32)}
REGISTER = Register(
    {s.tree: Tree(s.tree) for s in SITES.values()}, {(s.tree, "1"): Stem(s.tree) for s in SITES.values()}, SITES
)
SETTINGS = Settings()
READER, MODEL = readers.open_reader("classical")
CONTEXT = flow.ReadContext(SETTINGS, REGISTER, NOON + timedelta(days=1), MODEL)


def scene(bark: int, card: int | None, azimuth_deg: float, distance_mm: float) -> SceneSpec:
    return SceneSpec(
        trunk_radius_mm=RADIUS_MM,
        bark=BarkSpec(seed=bark),
        wounds=(WoundState(kind=WoundKind.WINDOW, seed=5, centre_mm=(0.0, -120.0), width_mm=34.0, height_mm=50.0),),
        card=CardHang(site=card),
        camera=CameraSpec(
            width_px=900, height_px=1200, distance_mm=distance_mm, azimuth_deg=azimuth_deg, elevation_deg=-4.0,
            aim_mm=(2.0, -55.0), defocus_px=0.3,
        ),
        light=LightSpec(sun=0.3, seed=bark),
        seed=bark,
    )  # fmt: skip


SCENES = {
    "card": (scene(7, 31, 6.0, 430.0), 0),
    "bare": (scene(7, None, -7.0, 400.0), 2),
    "other": (scene(8, 32, 3.0, 430.0), 4),
}


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("drawn")
    for name, (drawn, minutes) in SCENES.items():
        image, _ = render(drawn)
        write_photo(
            folder / f"{name}.jpg", image, drawn.camera, PhotoTags(NOON + timedelta(minutes=minutes), quality=92)
        )
    return {name: (folder / f"{name}.jpg").read_bytes() for name in SCENES}


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


@pytest.fixture(scope="module")
def known(photos: dict[str, bytes]) -> dict[str, Known]:
    found = {}
    for name in ("card", "other"):
        read = flow.read_photo(photos[name], f"{name}.jpg", sha(photos[name]), CONTEXT, READER)
        assert not isinstance(read, Refusal), read
        found[name] = Known(read.reading, read.patch)
    return found


def test_a_photo_without_a_card_is_placed_by_the_bark_of_its_site_alone(
    photos: dict[str, bytes], known: dict[str, Known]
) -> None:
    bare = photos["bare"]
    refused = flow.read_photo(bare, "bare.jpg", sha(bare), CONTEXT, READER)
    assert isinstance(refused, Refusal) and refused.code is RefusalCode.NO_CARD
    candidates = {32: [known["other"]], 31: [known["card"]]}
    placed = cardless.read(bare, "bare.jpg", sha(bare), candidates, CONTEXT, READER)
    assert placed is not None and placed.site == 31 and placed.read is not None
    reading = placed.read.reading
    assert Flag.SCALE_FROM_BARK in reading.flags and Flag.WHITE_BALANCE_ASSUMED in reading.flags
    # where the renderer's own camera puts places of the bark, the pose puts them too, within 2 % of their distances
    fix = placed.read.patch.fix
    assert fix is not None
    places = np.array([(-25.0, -90.0), (25.0, -90.0), (25.0, -150.0), (-25.0, -150.0)])
    read_back = trunk.bark_of_picture(fix, view_of(SCENES["bare"][0]).project_site(places))
    sides = np.hypot(*(np.roll(read_back, -1, axis=0) - read_back).T) / np.array([50, 60, 50, 60])
    assert sides == pytest.approx([1.0] * 4, abs=0.02)
    # less certain than with the card in the picture
    own = known["card"].reading
    rel = [r.aperture_area_mm2_sd / r.aperture_area_mm2 for r in (own, reading)]
    assert rel[1] > rel[0]


def test_bark_of_two_candidates_or_of_none_places_nothing(photos: dict[str, bytes], known: dict[str, Known]) -> None:
    bare = photos["bare"]
    for candidates in ({31: [known["card"]], 32: [known["card"]]}, {}):
        assert cardless.read(bare, "bare.jpg", sha(bare), candidates, CONTEXT, READER) is None


def test_a_plain_picture_has_no_features_and_no_pose(known: dict[str, Known], photos: dict[str, bytes]) -> None:
    photo = intake.open_photo(photos["bare"], "b.jpg", "b" * 64, SETTINGS.intake, SETTINGS.grove.zone, CONTEXT.now)
    blank = replace(photo, pixels=np.full((300, 200, 3), 128, np.uint8))
    assert placing.features_of(blank) is None
    seen = placing.features_of(photo)
    assert seen is not None
    assert placing.rough_pose(photo, seen, replace(known["card"].patch, fix=None)) is None


def grove_with(tmp_path: Path, store: Store, photos: dict[str, bytes], known: dict[str, Known]) -> tuple[Grove, Orders]:
    grove = Grove(tmp_path, SETTINGS, {}, REGISTER)
    store.use_reader(MODEL, SETTINGS.reading_hash, NOON)
    results: list[Reading | Refusal] = []
    for name, data in photos.items():
        stored = f"{sha(data)[:2]}/{name}.jpg"
        (grove.photos / stored).parent.mkdir(parents=True, exist_ok=True)
        (grove.photos / stored).write_bytes(data)
        store.record_arrivals([Arrival(f"{name}.jpg", sha(data), len(data), stored, NOON)])
        if name in known:
            cache.save_patch(grove.cache, sha(data), known[name].patch)
            results.append(known[name].reading)
        else:
            refused = flow.read_photo(data, f"{name}.jpg", sha(data), CONTEXT, READER)
            assert isinstance(refused, Refusal)
            results.append(refused)
    store.save_results(results, model=MODEL, settings=SETTINGS.reading_hash, read_at=NOON, program="test")
    orders = Orders(flow.read_photo, readers.open_reader, "classical", CONTEXT, grove.photos, grove.cache)
    return grove, orders


def test_a_run_reads_the_photo_that_lacked_its_card_once(
    tmp_path: Path, photos: dict[str, bytes], known: dict[str, Known]
) -> None:
    with open_store(tmp_path / "grove.sqlite") as store:
        grove, orders = grove_with(tmp_path, store, photos, known)
        count = Count(refused=store.refusals())
        place_without_card(grove, store, orders, count, lambda: None)
        found = store.result_of(sha(photos["bare"]))
        assert isinstance(found, Reading)
        assert (found.site, count.read, count.refused, count.sites) == (31, 1, [], {31})
        assert cache.has_patch(grove.cache, found.sha256)
        assert store.refusals() == []
        place_without_card(grove, store, orders, Count(sites={31, 32}), lambda: pytest.fail("tried again"))


def test_what_was_tried_in_vain_is_tried_again_when_there_is_news_alone(
    tmp_path: Path, photos: dict[str, bytes], known: dict[str, Known]
) -> None:
    with open_store(tmp_path / "grove.sqlite") as store:
        some = {n: photos[n] for n in ("bare", "other")}
        grove, orders = grove_with(tmp_path, store, some, {"other": known["other"]})
        tries: list[None] = []
        # nothing says that the refusal is of this run: one that was cut off before it came here is made up for
        place_without_card(grove, store, orders, Count(), lambda: tries.append(None))
        place_without_card(grove, store, orders, Count(), lambda: tries.append(None))
        assert len(tries) == 1
        assert isinstance(store.result_of(sha(photos["bare"])), Refusal)
        card = known["card"]
        name = f"{sha(photos['card'])[:2]}/card.jpg"
        store.record_arrivals([Arrival("card.jpg", sha(photos["card"]), 3, name, NOON)])
        cache.save_patch(grove.cache, sha(photos["card"]), card.patch)
        later = CONTEXT.now + timedelta(days=1)
        store.save_results([card.reading], model=MODEL, settings=SETTINGS.reading_hash, read_at=later, program="test")
        later_orders = replace(orders, context=replace(CONTEXT, now=later))
        place_without_card(grove, store, later_orders, Count(), lambda: tries.append(None))
        found = store.result_of(sha(photos["bare"]))
        assert len(tries) == 2
        assert isinstance(found, Reading) and found.site == 31


def test_a_person_may_say_which_site_a_photo_shows_and_is_tried_once(
    tmp_path: Path, photos: dict[str, bytes], known: dict[str, Known]
) -> None:
    some = {n: photos[n] for n in ("card", "bare")}
    with open_store(tmp_path / "grove.sqlite") as store:
        # another phone took the photo with the card, so that the round tells nothing
        card = replace(known["card"], reading=replace(known["card"].reading, device="another phone"))
        grove, orders = grove_with(tmp_path, store, some, {"card": card})
        hours_later = NOON + timedelta(hours=2)
        store.settle(PhotoSettled(sha(photos["bare"]), "Mai", hours_later, 31))
        context = replace(CONTEXT, now=hours_later + timedelta(hours=1))
        cache.patch_path(grove.cache, sha(photos["card"])).unlink()  # nothing to lay the photo over
        tries: list[None] = []
        for _ in range(2):
            place_without_card(grove, store, replace(orders, context=context), Count(), lambda: tries.append(None))
        assert len(tries) == 1
        assert store.read_at(sha(photos["bare"])) > context.now
        cache.save_patch(grove.cache, sha(photos["card"]), card.patch)
        place_without_card(grove, store, orders, Count(), lambda: pytest.fail("tried again"))
        store.settle(PhotoSettled(sha(photos["bare"]), "Mai", context.now + timedelta(hours=1), 31))
        place_without_card(grove, store, orders, Count(), lambda: None)
        found = store.result_of(sha(photos["bare"]))
        assert isinstance(found, Reading) and found.site == 31


def test_a_fault_of_the_program_on_one_photo_stops_no_run(
    tmp_path: Path, photos: dict[str, bytes], known: dict[str, Known]
) -> None:
    def broken(patch: object) -> object:
        raise ArithmeticError("a reader that fails on every patch")

    with open_store(tmp_path / "grove.sqlite") as store:
        grove, orders = grove_with(tmp_path, store, photos, known)
        failing = replace(orders, open_reader=lambda name: (broken, MODEL))
        place_without_card(grove, store, failing, Count(refused=store.refusals()), lambda: None)
        found = store.result_of(sha(photos["bare"]))
        assert isinstance(found, Refusal) and found.code is RefusalCode.NO_CARD


def test_a_photo_between_two_of_one_site_is_that_sites_though_its_bark_is_not_seen(
    tmp_path: Path, photos: dict[str, bytes], known: dict[str, Known]
) -> None:
    """So that the photo taken after it answers the request to take it again."""
    with open_store(tmp_path / "grove.sqlite") as store:
        # the site's two photos show other bark than the one between them: nothing is read, but the round tells the site
        other = known["other"]
        before = replace(other.reading, taken_at=NOON, device=known["card"].reading.device)
        grove, orders = grove_with(tmp_path, store, {n: photos[n] for n in ("bare", "other")}, {"other": other})
        extra = replace(before, sha256="e" * 64, file="before.jpg")
        store.record_arrivals([Arrival("before.jpg", extra.sha256, 3, "ee/before.jpg", NOON)])
        store.save_results([extra], model=MODEL, settings=SETTINGS.reading_hash, read_at=NOON, program="test")
        place_without_card(grove, store, orders, Count(sites={32}), lambda: None)
        found = store.result_of(sha(photos["bare"]))
        assert isinstance(found, Refusal)
        assert (found.site, found.code) == (32, RefusalCode.NO_CARD)

"""Labels in the COCO format, read back by an independent library, and taken in again."""

from __future__ import annotations

import contextlib
import io
import json
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image
from pycocotools.coco import COCO

from pipeline.errors import UsageError
from pipeline.records import Outlines, ReviewAnswer, Sign, Stage
from pipeline.review import rims
from pipeline.review.answers import Filled, record
from pipeline.review.coco import NAMES, export_labels, import_labels, run_lengths
from pipeline.review.queue import Queue
from pipeline.review.verdicts import Verdict
from tests.review_grove import MODEL, clock, clone, desks, ellipse

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.review import Desk

# the reader's own call into NumPy, not ours
pytestmark = pytest.mark.filterwarnings("ignore:__array__ implementation:DeprecationWarning")

RIM = ellipse(2, -128, 11, 17, corners=48)


template, desk = desks(trees=2)


def answer(desk: Desk, site: int, verdict: Verdict, *signs: Sign, **more: object) -> str:
    sha256 = desk.store.last_looks([site])[-1].sha256
    seen = desk.store.last_review(site)
    form = replace(Filled(sha256, seen, verdict, frozenset(signs), "", "", None, (), False, ""), **more)
    record(desk, site, form, "Lek", Queue(desk).task(site, "Lek"))
    return sha256


def read(file: Path) -> COCO:
    with contextlib.redirect_stdout(io.StringIO()):
        return COCO(str(file))


def test_an_independent_reader_finds_masks_boxes_and_names(desk: Desk, tmp_path: Path) -> None:
    confirmed = answer(desk, 10, Verdict.SIGN, Sign.GREEN_FILM, rim=RIM, stage=Stage.CALLUS)
    rejected = answer(desk, 30, Verdict.NOT, instead="moss", rim_right=True)
    assert export_labels(desk, tmp_path / "out") == (2, 3)
    coco = read(tmp_path / "out" / "labels.json")
    assert [c["name"] for c in coco.loadCats(coco.getCatIds())] == list(NAMES)
    images = {i["sha256"]: i for i in coco.loadImgs(coco.getImgIds())}
    assert set(images) == {confirmed, rejected}
    assert (images[confirmed]["signs"], images[confirmed]["stage"]) == (["green_film"], "callus")
    assert (images[rejected]["verdict"], images[rejected]["instead"]) == ("not", "moss")
    with Image.open(tmp_path / "out" / images[confirmed]["file_name"]) as picture:
        assert picture.size == (images[confirmed]["width"], images[confirmed]["height"])
    found = coco.loadAnns(coco.getAnnIds(imgIds=[images[confirmed]["id"]]))
    by_name = {NAMES[a["category_id"] - 1]: a for a in found}
    assert set(by_name) == {"aperture", "green_film"}
    step = images[confirmed]["mm_per_px"]
    rim = by_name["aperture"]
    # closed form: half-axes a, b give pi a b; pycocotools rasters the mask by its own rules
    assert coco.annToMask(rim).sum() * step**2 == pytest.approx(np.pi * 11 * 17, rel=0.03)
    assert rim["area"] * step**2 == pytest.approx(np.pi * 11 * 17, rel=0.01)
    left, top, width, height = rim["bbox"]
    place = images[confirmed]
    assert place["left_mm"] + left * step == pytest.approx(-9, abs=0.1)
    assert place["top_mm"] - top * step == pytest.approx(-111, abs=0.1)
    assert (width * step, height * step) == (pytest.approx(22, abs=0.1), pytest.approx(34, abs=0.1))


def test_an_island_of_bark_is_left_out_of_the_mask(desk: Desk, tmp_path: Path) -> None:
    sha256 = desk.store.last_looks([10])[-1].sha256
    before = desk.store.result_of(sha256)
    island = ellipse(0, -130, 4, 6)[::-1]
    shapes = Outlines(aperture=(ellipse(0, -130, 20, 30), island))
    changed = replace(before, outlines=shapes)
    desk.store.save_results([changed], model=MODEL, settings="drawn", read_at=clock(), program="test")
    answer(desk, 10, Verdict.NOT, rim_right=True)
    export_labels(desk, tmp_path / "out")
    coco = read(tmp_path / "out" / "labels.json")
    (rim,) = coco.loadAnns(coco.getAnnIds(catIds=[1]))
    step = coco.loadImgs([rim["image_id"]])[0]["mm_per_px"]
    assert coco.annToMask(rim).sum() * step**2 == pytest.approx(np.pi * (20 * 30 - 4 * 6), rel=0.03)


@pytest.mark.parametrize("first", [0, 1])
def test_run_lengths_as_the_reference_reads_them(first: int) -> None:
    from pycocotools import mask as reference

    mask = np.random.default_rng(first).integers(0, 2, (7, 5)).astype(np.uint8)
    mask[0, 0] = first
    packed = reference.frPyObjects(run_lengths(mask), 7, 5)
    assert np.array_equal(reference.decode(packed), mask)


def test_labels_come_back_as_they_went_out(template: Desk, desk: Desk, tmp_path: Path) -> None:
    answer(desk, 10, Verdict.SIGN, Sign.GREEN_FILM, rim=RIM, stage=Stage.CALLUS)
    export_labels(desk, tmp_path / "out")
    other = clone(template, tmp_path / "other")  # the same photos, nothing answered
    assert import_labels(other, tmp_path / "out" / "labels.json", "Rin") == (1, 0)
    said = {(r.answer, r.sign, r.stage): r for r in other.store.reviews(sites=[10])}
    assert (ReviewAnswer.CONFIRMED, Sign.GREEN_FILM, None) in said
    assert (ReviewAnswer.CORRECTED, None, Stage.CALLUS) in said
    drawn = said[(ReviewAnswer.CORRECTED, None, None)].payload["rim_mm"]
    assert np.allclose(drawn, RIM, atol=0.02)
    assert rims.area_mm2([tuple(p) for p in drawn]) > 0
    assert {r.who for r in other.store.reviews()} == {"Rin"}
    assert "sign confirmed" in {a.finding.rule for a in other.store.alerts()}
    assert other.store.log_entries()[0].act == "imported labels"
    other.store.close()


def test_run_lengths_come_in_with_the_area_of_their_mask(desk: Desk, tmp_path: Path) -> None:
    sha256 = desk.store.last_looks([10])[-1].sha256
    mask = np.zeros((160, 160), np.uint8)
    mask[50:80, 60:100] = 1
    content = {
        "images": [{"id": 1, "file_name": f"{sha256}.jpg", "width": 160, "height": 160}],
        "annotations": [{"id": 1, "image_id": 1, "category_id": 9, "segmentation": run_lengths(mask), "iscrowd": 0}],
        "categories": [{"id": 9, "name": "aperture"}],
    }
    file = tmp_path / "labels.json"
    file.write_text(json.dumps(content))
    assert import_labels(desk, file, "Rin") == (1, 0)
    (review,) = desk.store.reviews(sites=[10])
    area = rims.area_mm2([tuple(p) for p in review.payload["rim_mm"]])
    assert area == pytest.approx(30 * 40 * (176 / 160) ** 2, rel=0.01)


@pytest.mark.parametrize(
    "content",
    [
        "{",
        "[]",
        '{"images": []}',
        '{"images": [{}], "annotations": [], "categories": []}',
        '{"images": 5, "annotations": [], "categories": []}',
    ],
)
def test_a_file_that_is_not_coco_is_refused(desk: Desk, tmp_path: Path, content: str) -> None:
    file = tmp_path / "labels.json"
    file.write_text(content)
    with pytest.raises(UsageError):
        import_labels(desk, file, "Rin")
    assert not desk.store.reviews()


@pytest.mark.parametrize(
    "segmentation", [[[1, 2, 3]], [["a", 1, 2, 3, 4, 5]], {"counts": "abc", "size": [160, 160]}, 7]
)
def test_an_outline_that_cannot_be_used_stops_the_import_whole(
    desk: Desk, tmp_path: Path, segmentation: object
) -> None:
    sha256 = desk.store.last_looks([10])[-1].sha256
    content = {
        "images": [{"id": 1, "sha256": sha256}],
        "annotations": [{"id": 1, "image_id": 1, "category_id": 1, "segmentation": segmentation}],
        "categories": [{"id": 1, "name": "aperture"}],
    }
    file = tmp_path / "labels.json"
    file.write_text(json.dumps(content))
    with pytest.raises(UsageError, match="cannot be used"):
        import_labels(desk, file, "Rin")
    assert not desk.store.reviews()


def test_photos_of_another_grove_are_left(desk: Desk, tmp_path: Path) -> None:
    file = tmp_path / "labels.json"
    file.write_text('{"images": [{"id": 1, "file_name": "cat.jpg"}], "annotations": [], "categories": []}')
    assert import_labels(desk, file, "Rin") == (0, 1)

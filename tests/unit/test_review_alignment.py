"""Earlier photos lie on the bark of the later one: maps found again, joined over several visits, and drawn in SVG."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from pipeline import cache
from pipeline.records import Comparison, SitePatch, Window
from pipeline.review.alignment import Alignment, affine_of, align, along_bark
from pipeline.review.cases import case_view
from pipeline.store.bark import Tie
from tests.review_grove import NO_DRAWS, build

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pipeline.review import Desk

TURN = np.array([[0.998, -0.035, 6.0], [0.035, 0.998, -4.0]])
GRID = np.array([(x, y) for x in range(-60, 61, 20) for y in range(-190, -60, 20)], dtype=float)


def comparison(earlier: str, later: str, matrix: np.ndarray, noise_mm: float = 0.0, score: float = 0.9) -> Comparison:
    """Bark seen in the later photo at GRID, in the earlier one where the matrix says."""
    rng = np.random.default_rng(3)
    there = (
        GRID @ matrix[:, :2].T + matrix[:, 2] + rng.normal(0, noise_mm, GRID.shape)
        if noise_mm
        else (GRID @ matrix[:, :2].T + matrix[:, 2])
    )
    places = tuple((a, b, x, y, 0.2) for (a, b), (x, y) in zip(there.tolist(), GRID.tolist(), strict=True))
    return Comparison(earlier, later, score, 100, 90, 0.3, places)


def test_an_affine_map_is_found_again_and_agrees_with_opencv() -> None:
    found = affine_of(comparison("a", "b", TURN, noise_mm=0.2))
    assert found is not None
    places = np.array(comparison("a", "b", TURN, noise_mm=0.2).places)
    here, there = np.ascontiguousarray(places[:, 2:4]), np.ascontiguousarray(places[:, :2])
    reference, _ = cv2.estimateAffine2D(here, there, method=cv2.RANSAC, ransacReprojThreshold=3)
    # OpenCV's own estimate of the same map from the same points, refined by least squares over them all
    np.testing.assert_allclose(found, reference, atol=0.02)
    np.testing.assert_allclose(found @ [0, -130, 1], TURN @ [0, -130, 1], atol=0.2)


def test_what_cannot_be_trusted_gives_no_map() -> None:
    few = comparison("a", "b", TURN)
    assert affine_of(replace(few, places=few.places[:4])) is None
    line = tuple((float(k), 0.0, float(k), 0.0, 0.2) for k in range(10))
    assert affine_of(replace(few, places=line)) is None
    assert affine_of(comparison("a", "b", np.array([[1.5, 0, 0], [0, 1.5, 0]]))) is None
    assert along_bark([comparison("a", "b", TURN, score=0.1)], "a", "b", 0.3) is None


def test_visits_are_joined_over_those_between() -> None:
    second = np.array([[1.01, 0.02, -3.0], [-0.02, 1.01, 2.0]])
    chain = [comparison("a", "b", TURN), comparison("b", "c", second, score=0.6)]
    there, back = along_bark(chain, "a", "c", 0.3), along_bark(chain, "c", "a", 0.3)
    assert there is not None
    assert back is not None
    assert (there.same_place, back.same_place) == (0.6, 0.6)
    point = np.array([10.0, -120.0])
    direct = TURN[:, :2] @ (second[:, :2] @ point + second[:, 2]) + TURN[:, 2]
    np.testing.assert_allclose(np.array(back.matrix) @ [*point, 1], direct, atol=1e-6)
    np.testing.assert_allclose(np.array(there.matrix) @ [*direct, 1], point, atol=1e-6)
    assert along_bark(chain, "a", "z", 0.3) is None


def test_svg_turns_the_same_way_with_y_downwards() -> None:
    (a, b, tx), (c, d, ty) = TURN.tolist()
    placed = Alignment(((a, b, tx), (c, d, ty)), 0.9)
    values = [float(v) for v in placed.svg.removeprefix("matrix(").removesuffix(")").split()]
    # SVG 1.1, 7.6: matrix(a b c d e f) maps (x, y) to (a x + c y + e, b x + d y + f).
    x, y = 12.0, -140.0
    drawn = (values[0] * x + values[2] * -y + values[4], values[1] * x + values[3] * -y + values[5])
    wanted = TURN @ [x, y, 1]
    assert drawn == pytest.approx((wanted[0], -wanted[1]), abs=1e-3)
    window = placed.of_window(Window(-10, 10, -140, -120))
    assert (window.left_mm, window.top_mm) == pytest.approx(((TURN @ [-10, -120, 1])[0], (TURN @ [10, -120, 1])[1]))


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = build(tmp_path / "grove", trees=1, visits=3, options=NO_DRAWS)
    yield made
    made.store.close()


def test_the_case_shows_the_earlier_photo_on_the_bark(desk: Desk) -> None:
    plain = case_view(desk, 10, None)
    assert plain is not None
    assert plain.on_bark is None
    assert plain.before is not None
    then, now = plain.before.sha256, plain.now.sha256
    tie = {now: Tie(0.9, None)}
    desk.store.save_ties([comparison(then, now, TURN)], tie, "whatever basis")
    view = case_view(desk, 10, None)
    assert view is not None
    assert view.on_bark is not None
    # bark at GRID of the later photo is at TURN(GRID) of the earlier one, so TURN's place maps back to it
    np.testing.assert_allclose(np.array(view.on_bark.matrix) @ [*(TURN @ [5, -130, 1]), 1], [5, -130], atol=1e-6)
    assert view.view_box.width_mm > plain.view_box.width_mm


def test_photos_never_compared_are_compared_when_asked_for(desk: Desk) -> None:
    """Two patches of the same drawn bark, the later one moved by a known amount: found without a run."""
    readings = desk.store.readings_of([10])
    rng = np.random.default_rng(5)
    bark = cv2.resize(rng.integers(60, 200, (90, 90, 3)).astype(np.uint8), (384, 384), interpolation=cv2.INTER_CUBIC)
    step, shift_px = 176 / 384, 11
    then, now = readings[0].sha256, readings[-1].sha256
    for sha256, picture in ((then, bark), (now, np.roll(bark, shift_px, axis=1))):
        patch = SitePatch(picture, np.ones((384, 384), np.bool_), step, -88.0, -42.0, 6.0)
        cache.save_patch(desk.grove.cache, sha256, patch)
    assert align(desk, readings, then, now) is None
    found = align(desk, readings, then, now, look=True)
    assert found is not None
    moved = np.array(found.matrix) @ [30.0, -100.0, 1] - [30.0, -100.0]
    # The roll by eleven pixels is the truth.
    assert moved == pytest.approx([shift_px * step, 0.0], abs=0.5)

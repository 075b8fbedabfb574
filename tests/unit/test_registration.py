"""Two visits laid over each other: known maps are found again, other bark is not, a changed wound does not matter."""

import cv2
import numpy as np
import pytest

from pipeline import registration
from pipeline.records import SitePatch
from tests import drawn

MM = 0.5
ROWS, COLUMNS = 320, 300


def patch(
    seed: int, matrix: np.ndarray | None = None, light: float = 0.0, wound_mm: float = 0.0, noise: float = 0.0
) -> SitePatch:
    """Bark whose place (x, y) shows up at ``matrix`` applied to it; one pixel is 0.5 mm."""
    matrix = np.eye(2, 3) if matrix is None else matrix
    tile = drawn.bark_texture(seed, 20.0)
    x, y = np.meshgrid(-75 + (np.arange(COLUMNS) + 0.5) * MM, -52 - (np.arange(ROWS) + 0.5) * MM)
    shown = np.stack([x, y], axis=-1)
    bark = (shown - matrix[:, 2]) @ np.linalg.inv(matrix[:, :2]).T
    u, v = ((bark * 2) % 512).astype(np.float32).transpose(2, 0, 1)
    grey = cv2.remap(np.pad(tile, ((0, 1), (0, 1)), mode="wrap"), u, v, cv2.INTER_LINEAR) + 120
    grey = grey * (1 + light * x / 75)
    if wound_mm:
        centre = np.array([0.0, -125.0])
        grey[np.hypot(*np.moveaxis(bark - centre, -1, 0)) < wound_mm / 2] = 50
    grey = grey + np.random.default_rng(seed + 7).normal(0, noise, grey.shape)
    rgb = np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)
    return SitePatch(rgb, np.ones((ROWS, COLUMNS), bool), MM, -75.0, -52.0, 4.0)


def mask(diameter_mm: float) -> np.ndarray:
    x, y = np.meshgrid(-75 + (np.arange(COLUMNS) + 0.5) * MM, -52 - (np.arange(ROWS) + 0.5) * MM)
    return np.hypot(x, y + 125) < diameter_mm / 2


@pytest.mark.parametrize(
    "matrix",
    [
        np.array([[1.0, 0.0, 3.25], [0.0, 1.0, -2.5]]),
        np.array([[1.03, 0.0, 1.0], [0.0, 0.98, 0.0]]),
        np.array([[0.9998, -0.02, -4.0], [0.02, 0.9998, 2.0]]),
    ],
)
def test_known_map_is_found_again(matrix: np.ndarray) -> None:
    found = registration.register(patch(1), patch(1, matrix, light=0.4, noise=6.0))
    # the map takes later places to earlier ones: the inverse of how the bark moved
    inverse = np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))[:2]
    corners = np.array([(x, y, 1.0) for x in (-40, 40) for y in (-180, -80)])
    np.testing.assert_allclose(corners @ found.matrix.T, corners @ inverse.T, atol=0.15)
    assert found.area_scale == pytest.approx(1 / np.linalg.det(matrix[:, :2]), abs=0.003)
    assert found.same_place > 0.8


def test_other_bark_is_found_out() -> None:
    scores = [registration.register(patch(1), patch(seed, light=0.2)).same_place for seed in (2, 3, 4)]
    assert max(scores) < 0.15


def test_a_wound_that_closed_does_not_move_the_bark() -> None:
    found = registration.register(patch(1, wound_mm=50), patch(1, wound_mm=30, light=-0.3, noise=4), mask(56), mask(56))
    assert found.area_scale == pytest.approx(1.0, abs=0.003)
    np.testing.assert_allclose(found.matrix @ [0, -125, 1], [0, -125], atol=0.1)
    assert found.same_place > 0.8


def test_windows_that_hardly_overlap_say_nothing() -> None:
    far = patch(1)
    moved = SitePatch(far.rgb, far.valid, MM, 60.0, -52.0, 4.0)
    found = registration.register(far, moved)
    assert found.same_place == 0
    assert found.blocks == 0


def test_bare_grey_says_nothing() -> None:
    flat = SitePatch(np.full((ROWS, COLUMNS, 3), 120, np.uint8), np.ones((ROWS, COLUMNS), bool), MM, -75.0, -52.0, 4.0)
    assert registration.register(flat, flat).same_place == 0


def test_cells_of_bark_lie_where_the_bark_moved() -> None:
    matrix = np.array([[1.03, 0.0, 1.0], [0.0, 0.98, 0.0]])
    found = registration.register(patch(1), patch(1, matrix, noise=4.0))
    assert len(found.places_sd_mm) >= 12
    moved = found.places_earlier @ matrix[:, :2].T + matrix[:, 2]
    miss = (moved - found.places_later) / found.places_sd_mm[:, None]
    # a standard normal variate is beyond 3.5 in one of 2000 cases (tables of the normal distribution)
    assert np.abs(miss).max() < 3.5


def test_a_cell_s_mean_is_certain_by_the_root_of_its_blocks() -> None:
    rng = np.random.default_rng(4)
    places = np.column_stack([rng.uniform(0, 25, 4000), rng.uniform(0, 25, 4000)])
    found = places + rng.normal(0, 0.8, places.shape)
    sd = registration.cells(places, found, overlap=1.0)[2]
    assert sd == pytest.approx([np.hypot(0.8 / np.sqrt(4000), registration.CELL_SD_MM)], rel=0.05)

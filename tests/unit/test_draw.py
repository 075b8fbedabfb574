"""The drawn picture: right place, right length, readable without colour."""

import itertools

import cv2
import numpy as np
import pytest

from pipeline import draw
from pipeline.records import Outlines, Sign, SitePatch

SIZE = 192
MM_PER_PX = 0.5
BOX = ((-20.0, -80.0), (20.0, -80.0), (20.0, -120.0), (-20.0, -120.0))
ISLAND = ((-5.0, -95.0), (5.0, -95.0), (5.0, -105.0), (-5.0, -105.0))


def patch(level=120, **others):
    return SitePatch(
        np.full((SIZE, SIZE, 3), level, np.uint8), np.ones((SIZE, SIZE), bool), MM_PER_PX, -48.0, -52.0, 4.0, **others
    )


def grey(picture):
    return cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(int)


def pixel(x_mm, y_mm, factor=4):
    """Column and row in the enlarged picture, from the convention of the site frame."""
    return (x_mm + 48.0) / MM_PER_PX * factor - 0.5, (-52.0 - y_mm) / MM_PER_PX * factor - 0.5


def test_picture_is_enlarged_by_a_whole_factor_and_the_legend_stands_below():
    plain = draw.overlay(patch(), Outlines(), legend=False)
    assert plain.shape == (768, 768, 3)
    assert plain.dtype == np.uint8
    full = draw.overlay(patch(), Outlines(aperture=(BOX,)))
    assert full.shape[0] > 768
    assert full.shape[1] == 768


@pytest.mark.parametrize("level", [5, 120, 250])
def test_rim_lies_where_it_should_and_shows_on_any_ground(level):
    picture = grey(draw.overlay(patch(level), Outlines(aperture=(BOX,)), legend=False))
    column, row = pixel(-20.0, -100.0)
    across = picture[round(row), round(column) - 8 : round(column) + 9]
    # A light line with a dark casing: whatever the ground, both are there, and the light one is in the middle.
    assert across.max() > 200
    assert across.min() < 60
    assert abs(int(across.argmax()) - 8) <= 1
    assert abs(picture[round(row), round(column) + 60] - level) <= 1


def test_new_tissue_is_broken_where_the_opening_is_not():
    def along_left_edge(outlines):
        picture = grey(draw.overlay(patch(), outlines, legend=False))
        column, top = pixel(-20.0, -84.0)
        bottom = pixel(-20.0, -116.0)[1]
        return picture[round(top) : round(bottom), round(column)]

    full, broken = along_left_edge(Outlines(aperture=(BOX,))), along_left_edge(Outlines(new_tissue=(BOX,)))
    assert np.ptp(full) < 60
    assert np.count_nonzero(np.abs(broken - 120) < 10) > 0.15 * broken.size


def test_every_sign_can_be_told_from_every_other_in_grey():
    inside = np.s_[330:420, 330:420]
    pictures = {
        sign: grey(draw.overlay(patch(), Outlines(signs={sign: (BOX,)}), legend=False))[inside] for sign in Sign
    }
    for one, other in itertools.combinations(Sign, 2):
        assert np.mean(np.abs(pictures[one] - pictures[other]) > 20) > 0.15, (one, other)


@pytest.mark.parametrize("sign", list(Sign))
def test_hatching_is_seen_on_dark_and_on_pale_ground_and_named(sign):
    for level in (10, 245):
        bare = draw.overlay(patch(level), Outlines(), legend=False)
        drawn = draw.overlay(patch(level), Outlines(signs={sign: (BOX,)}), legend=False)
        changed = np.abs(grey(drawn) - grey(bare)) > 50
        assert changed[330:420, 330:420].mean() > 0.08
        # The name's plate lies beside the outline (its right edge is at column 543).
        assert changed[:, 565:].any()


def test_islands_are_not_hatched():
    drawn = grey(draw.overlay(patch(), Outlines(signs={Sign.CONK: (BOX, ISLAND)}), legend=False))
    column, row = pixel(0.0, -100.0)
    middle = drawn[round(row) - 25 : round(row) + 25, round(column) - 25 : round(column) + 25]
    assert np.all(np.abs(middle - 120) <= 1)


@pytest.mark.parametrize(("width_mm", "expected"), [(176.0, 20), (96.0, 20), (40.0, 10), (300.0, 50), (3.0, 1)])
def test_bar_has_a_round_length_of_at_most_a_quarter(width_mm, expected):
    assert draw.bar_length_mm(width_mm) == expected


def test_bar_is_as_long_as_it_says():
    picture = grey(draw.overlay(patch(), Outlines(), legend=False))
    row = picture[768 - 16 - 8]
    # The bar's ends are dark and its frame lies 8 px to the left; 20 mm are 160 px here.
    dark = np.flatnonzero(row[14:230] < 80) + 14
    assert dark.min() == pytest.approx(18, abs=1)
    assert dark[dark < 190].max() - dark.min() == pytest.approx(20 / MM_PER_PX * 4, abs=2)


def test_nothing_is_said_of_size_without_a_scale():
    drawn = draw.overlay(patch(has_scale=False), Outlines(aperture=(BOX,)), legend=False)
    assert np.all(drawn[700:] == 120)


def test_extent_in_words():
    assert draw.extent_text((BOX,)) == "opening 40 mm wide, 40 mm high"


def test_places_that_the_photo_does_not_show_are_paper():
    valid = np.ones((SIZE, SIZE), bool)
    valid[:, :20] = False
    seen = SitePatch(np.zeros((SIZE, SIZE, 3), np.uint8), valid, MM_PER_PX, -48.0, -52.0, 4.0, has_scale=False)
    picture = draw.overlay(seen, Outlines(), legend=False)
    assert np.all(picture[:, :80] == draw.PAPER)
    assert np.all(picture[:, 80:] == 0)


def test_side_by_side_shows_the_bare_patch_at_the_same_size():
    seen = patch()
    drawn = draw.overlay(seen, Outlines(aperture=(BOX,), signs={Sign.GREEN_FILM: (BOX,)}))
    both = draw.side_by_side(seen, drawn)
    assert both.shape == (drawn.shape[0], 768 + 12 + 768, 3)
    assert np.all(both[:768, :768] == 120)
    assert np.array_equal(both[: drawn.shape[0], 780:], drawn)


def test_many_signs_at_the_border_stay_inside():
    corner = ((40.0, -53.0), (47.0, -53.0), (47.0, -60.0), (40.0, -60.0))
    drawn = draw.overlay(patch(), Outlines(signs=dict.fromkeys(Sign, (corner,))))
    assert drawn.shape[1] == 768


def test_the_patch_itself_is_not_changed():
    seen = patch()
    before = seen.rgb.copy()
    draw.overlay(seen, Outlines(aperture=(BOX,), new_tissue=(ISLAND,), signs={Sign.CONK: (BOX,)}))
    assert np.array_equal(seen.rgb, before)


def test_a_note_stands_in_the_corner_and_nowhere_else():
    bare = draw.overlay(patch(), Outlines(), legend=False)
    noted = draw.overlay(patch(), Outlines(), legend=False, note="not a wound site (91%): nothing is drawn")
    rows, columns = np.nonzero((bare != noted).any(axis=2))
    assert rows.size > 500
    assert rows.max() < 50
    assert columns.min() < 30

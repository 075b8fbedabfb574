"""Looks that are drawn for training only."""

import numpy as np
import pytest
import torch
from skimage.morphology import footprint_rectangle, opening

from pipeline.learn.generator import APERTURE, IGNORE, NEW_TISSUE, Generator, Mix
from pipeline.learn.variety import WIDE, Variety, unresolved

PLAIN = Mix(sign=0, lookalike=0, foreign=0, background=0, not_a_site=0, no_wound=0, unseen=0)
CPU = torch.device("cpu")


def drawn(variety, seed=50, count=6, shares=PLAIN):
    return Generator(CPU, seed, size_px=96, shares=shares, variety=variety).batch(count)


@pytest.mark.parametrize("edge", [2, 3])
def test_what_cannot_be_resolved_is_what_an_opening_by_a_square_takes_away(edge):
    # Reference: binary opening of scikit-image (Serra 1982), away from the border, which it treats in its own way.
    rng = np.random.default_rng(3)
    mask = np.kron(rng.random((12, 12)) < 0.4, np.ones((2, 3))) * (rng.random((24, 36)) < 0.95)
    mask[:4] = mask[-4:] = 0
    mask[:, :4] = mask[:, -4:] = 0
    expected = (mask > 0) & ~opening(mask > 0, footprint_rectangle((edge, edge)))
    found = unresolved(torch.from_numpy(mask).float()[None, None], edge - 0.3)[0, 0].numpy()
    np.testing.assert_array_equal(found, expected)
    assert expected.any()


def test_looks_change_the_picture_and_not_which_wound_is_drawn():
    plain, wide = drawn(Variety()), drawn(Variety(slanted_bark=1, broad_seam=1, pale_crust=1))
    assert torch.equal(plain.tissue, wide.tissue)
    assert torch.equal(plain.stage, wide.stage)
    assert torch.equal(plain.mm_per_px, wide.mm_per_px)
    assert (plain.rgb - wide.rgb).abs().amax((1, 2, 3)).max() > 0.05


def test_openings_too_narrow_to_resolve_are_left_out_of_the_truth():
    plain, wide = drawn(Variety(), seed=8, count=12), drawn(Variety(unresolved_px=2.7), seed=8, count=12)
    changed = plain.tissue != wide.tissue
    assert changed.any()
    assert (plain.tissue[changed] == APERTURE).all()
    assert (wide.tissue[changed] == IGNORE).all()
    assert torch.equal(plain.tissue == NEW_TISSUE, wide.tissue == NEW_TISSUE)


def test_dried_runs_are_bleeding_darker_than_the_bark_and_known_only_where_they_show():
    plain, wide = drawn(Variety(), seed=50), drawn(Variety(dry_run=1.0), seed=50)
    assert plain.signs[:, 3].max() == 0
    present = wide.sign_present[:, 3] > 0
    assert present.any()
    assert not wide.sign_present[:, [0, 1, 2, 4]].any()
    # What covers too little to count but is there is neither taught as present nor as absent.
    faint = (wide.signs[:, 3].amax((1, 2)) >= 0.2) & ~present
    assert (wide.sign_known[faint, 3] == 0).all()


def test_the_same_seed_draws_the_same_looks():
    first, second = drawn(WIDE, shares=Mix()), drawn(WIDE, shares=Mix())
    assert torch.equal(first.rgb, second.rgb)
    assert torch.equal(first.signs, second.signs)

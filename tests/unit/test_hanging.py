"""The card's hanging from several visits, against the renderer's own projection (no code in common with the ruler)."""

from dataclasses import replace

import numpy as np
import pytest

from benchmarks import ruler_sim
from benchmarks.ruler_scenes import Spread, site_plan, visit_scene
from pipeline import hanging, rimfield
from pipeline.records import WoundKind
from pipeline.scenes import CardHang, WoundState

EXACT = Spread(tilt_deg=0, standoff_mm=0, roll_deg=0, yaw_deg=0, focal_rel=0, girth_rel=0, lens=0, sway=0)
OUTLINES = ruler_sim.outlines_of(WoundState(WoundKind.WINDOW, 3, (0.0, -110.0), 40.0, 60.0, ragged_mm=0.0))


def visits(views_deg: list[tuple[float, float]], hang: CardHang, noise_px: float = 0.05) -> list[ruler_sim.Measured]:
    """Photos of one window from (azimuth, elevation) degrees, 420 mm away."""
    plan, rng = site_plan(1, EXACT), np.random.default_rng(7)
    seen = []
    for number, (azimuth, elevation) in enumerate(views_deg):
        scene = visit_scene(plan, number, EXACT)
        camera = replace(scene.camera, azimuth_deg=azimuth, elevation_deg=elevation, distance_mm=420.0)
        scene = replace(scene, camera=camera, card=hang, trunk_radius_mm=80.0)
        fix = ruler_sim.fix_of(scene, 2 * np.pi * 80, rng, noise_px)
        seen.append(ruler_sim.measured_with(scene, ruler_sim.view_of(scene), fix, OUTLINES))
    return seen


def estimated(seen: list[ruler_sim.Measured], chain: bool = True) -> tuple:
    rng = np.random.default_rng(8)
    views = [hanging.View(m.fix, "phone", m.at_mm, m.size_mm) for m in seen]
    links = [ruler_sim.shared_bark((k - 1, k), seen[k - 1], seen[k], rng) for k in range(1, len(seen))]
    return hanging.estimate(views, links if chain else [])


SPREAD_VIEWS = [(-12.0, 10.0), (10.0, -12.0), (2.0, 14.0), (-9.0, -8.0), (13.0, 3.0)]


@pytest.mark.parametrize(
    "hang", [CardHang(tilt_deg=4.0), CardHang(yaw_deg=4.0), CardHang(tilt_deg=-2.0, roll_deg=3.0, yaw_deg=-2.0)]
)
def test_sizes_come_right_although_the_card_hangs_crooked(hang: CardHang) -> None:
    seen = visits(SPREAD_VIEWS, hang)
    alone = np.array([m.sizes.area_mm2 / m.truth.area_mm2 - 1 for m in seen])
    scales = estimated(seen)
    together = np.array([m.sizes.area_mm2 * s.area / m.truth.area_mm2 - 1 for m, s in zip(seen, scales, strict=True)])
    assert np.abs(alone).max() > 0.015
    assert np.abs(together).max() < 0.01
    widths = [m.sizes.width_mm * s.width / m.truth.width_mm for m, s in zip(seen, scales, strict=True)]
    heights = [m.sizes.height_mm * s.height / m.truth.height_mm for m, s in zip(seen, scales, strict=True)]
    np.testing.assert_allclose([widths, heights], 1.0, atol=0.012)
    for scale in scales:
        assert scale.area_rel_sd < 0.01
        assert scale.area_common_rel_sd <= scale.area_rel_sd


def test_a_little_sway_between_visits_does_no_harm() -> None:
    turns = [(0.4, -0.5), (-0.3, 0.6), (0.2, 0.3), (-0.4, -0.6), (0.1, 0.4)]
    seen = [
        visits([view], CardHang(tilt_deg=3 + tilt, yaw_deg=1 + yaw))[0]
        for view, (tilt, yaw) in zip(SPREAD_VIEWS, turns, strict=True)
    ]
    scales = estimated(seen)
    misses = np.array([m.sizes.area_mm2 * s.area / m.truth.area_mm2 - 1 for m, s in zip(seen, scales, strict=True)])
    held = np.abs(misses) < 1.96 * np.array([s.area_rel_sd for s in scales])
    assert np.abs(misses).max() < 0.015
    assert held.all()


def test_without_shared_bark_nothing_is_learned() -> None:
    seen = visits(SPREAD_VIEWS[:3], CardHang(tilt_deg=3.0))
    for measured, scale in zip(seen, estimated(seen, chain=False), strict=True):
        assert (scale.area, scale.width, scale.height) == pytest.approx((1.0, 1.0, 1.0), abs=1e-9)
        # the same propagation as of a single photo, two ways of writing it
        assert scale.area_rel_sd == pytest.approx(measured.scale.area_rel_sd, rel=0.1)


def test_visits_from_the_same_side_teach_less_of_the_hanging() -> None:
    hang = CardHang(tilt_deg=2.0)
    same = estimated(visits([(3.0, 12.0), (3.5, 12.0), (3.0, 12.5)], hang))
    apart = estimated(visits([(3.0, 14.0), (-5.0, -14.0), (10.0, 0.0)], hang))
    assert apart[0].area_rel_sd < 0.6 * same[0].area_rel_sd
    # what they share cancels in a change all the same
    own = same[0].area_rel_sd ** 2 - same[0].area_common_rel_sd ** 2
    assert own < 0.5 * same[0].area_rel_sd ** 2


def test_bark_behind_the_horizon_is_left_out() -> None:
    seen = visits(SPREAD_VIEWS[:2], CardHang())
    views = [hanging.View(m.fix, "phone", m.at_mm, m.size_mm) for m in seen]
    far = np.array([[110.0, -100.0], [115.0, -90.0], [120.0, -120.0]])
    scales = hanging.estimate(views, [hanging.Link(0, 1, far, far, np.full(3, 0.1))])
    assert scales[0].area == pytest.approx(1.0, abs=1e-9)


def test_good_bark_that_misses_by_far_at_first_is_not_left_out() -> None:
    """A card that hangs badly moves the bark by many times its uncertainty: that is what it is to be learned from."""
    hang = CardHang(tilt_deg=7.0, roll_deg=5.0, yaw_deg=-6.0)
    seen = visits([(-18.0, 16.0), (19.0, -17.0), (3.0, 20.0)], hang, noise_px=0.03)
    rng = np.random.default_rng(8)
    views = [hanging.View(m.fix, "phone", m.at_mm, m.size_mm) for m in seen]
    links = [ruler_sim.shared_bark((k - 1, k), seen[k - 1], seen[k], rng) for k in range(1, len(seen))]
    solution = hanging.solve(views, links)
    assert len(solution.problem.links) == 2
    alone = [abs(m.sizes.area_mm2 / m.truth.area_mm2 - 1) for m in seen]
    together = [
        abs(m.sizes.area_mm2 * s.area / m.truth.area_mm2 - 1) for m, s in zip(seen, solution.scales(), strict=True)
    ]
    assert max(alone) > 0.05
    assert max(together) < 0.02
    # and the rims come to lie on each other, though nothing moved
    rims = [[solution.on_bark(k, ring) for ring in m.outlines] for k, m in enumerate(seen)]
    found, apart = rimfield.field(rims[0], rims[1]), rimfield.field(seen[0].outlines, seen[1].outlines)
    assert found is not None and apart is not None
    assert max(abs(arc.advance_mm) for arc in apart.arcs) > 2.0
    assert max(abs(arc.advance_mm) for arc in found.arcs) < 0.7


def test_a_map_that_is_wrong_among_right_ones_is_left_out() -> None:
    seen = visits(SPREAD_VIEWS, CardHang(tilt_deg=3.0))
    rng = np.random.default_rng(8)
    views = [hanging.View(m.fix, "phone", m.at_mm, m.size_mm) for m in seen]
    links = [ruler_sim.shared_bark((k - 1, k), seen[k - 1], seen[k], rng) for k in range(1, len(seen))]
    stray = ruler_sim.shared_bark((0, 3), seen[0], seen[3], rng)
    stretched = replace(stray, places_later=stray.places_later * np.array([1.1, 0.93]))
    right, disturbed = hanging.solve(views, links), hanging.solve(views, [*links, stretched])
    assert len(disturbed.problem.links) == len(links)
    assert [s.area for s in disturbed.scales()] == pytest.approx([s.area for s in right.scales()], rel=1e-6)

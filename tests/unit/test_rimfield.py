"""The rim's advance as a field: parallel curves, ellipses and slots in closed form, known shifts, and Monte Carlo."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ellipe

from pipeline import rimfield
from pipeline.records import RimMove, RimPart
from pipeline.rimfield import Parting, RimSd

MIDDLE = (0.0, -120.0)


def ring(points: np.ndarray) -> np.ndarray:
    return points + np.array(MIDDLE)


def ellipse(a: float, b: float) -> np.ndarray:
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    return ring(np.column_stack([a * np.cos(turn), b * np.sin(turn)]))


def stadium(width: float, height: float) -> np.ndarray:
    """Half circles above and below an upright rectangle, counter-clockwise from the right."""
    radius, half = width / 2, (height - width) / 2
    up, down = np.linspace(0, np.pi, 200), np.linspace(np.pi, 2 * np.pi, 200)
    points = [np.column_stack([radius * np.cos(t), radius * np.sin(t) + s]) for t, s in ((up, half), (down, -half))]
    return ring(np.concatenate(points))


def box(width: float, height: float) -> np.ndarray:
    x, y = width / 2, height / 2
    return ring(np.array([(-x, -y), (x, -y), (x, y), (-x, y)]))


def perimeter(a: float, b: float) -> float:
    return 4 * max(a, b) * ellipe(1 - (min(a, b) / max(a, b)) ** 2)


@pytest.mark.parametrize("step", [1.5, -1.0])
@pytest.mark.parametrize(("width", "height"), [(30.0, 80.0), (12.0, 12.0), (20.0, 26.0)])
def test_a_parallel_rim_reads_its_distance_everywhere(width: float, height: float, step: float) -> None:
    # Steiner's formulas: areas differ by d (p1 + p2) / 2 on every piece
    found = rimfield.field([stadium(width, height)], [stadium(width - 2 * step, height - 2 * step)])
    assert found is not None and found.sides is not None and found.ends is not None
    assert found.whole.advance_mm == pytest.approx(step, abs=0.01)
    for shift in (found.sides, found.ends, *found.parts.values()):
        assert shift.advance_mm == pytest.approx(step, abs=0.05)
    assert [arc.advance_mm for arc in found.arcs] == pytest.approx([step] * len(found.arcs), abs=0.12)


def test_the_whole_field_is_gilmans_advance() -> None:
    # area pi a b, perimeter by the complete elliptic integral of the second kind (scipy)
    found = rimfield.field([ellipse(20, 40)], [ellipse(18.5, 39.5)])
    assert found is not None
    gilman = np.pi * (20 * 40 - 18.5 * 39.5) / (0.5 * (perimeter(20, 40) + perimeter(18.5, 39.5)))
    assert found.whole.advance_mm == pytest.approx(gilman, rel=0.002)
    weighted = sum(s.advance_mm * s.length_mm for s in found.parts.values()) / sum(
        s.length_mm for s in found.parts.values()
    )
    assert weighted == pytest.approx(found.whole.advance_mm, rel=1e-9)


def test_a_slot_whose_ends_stand_still_shows_it() -> None:
    # 100 x 20 mm closing to 100 x 7 mm: Gilman reads 1300 / 227 = 5.73 mm, though each side moved 6.5 mm
    found = rimfield.field([box(20, 100)], [box(7, 100)], rim_sd=(RimSd(0.1, 0.0), RimSd(0.1, 0.0)))
    assert found is not None
    assert found.whole.advance_mm == pytest.approx(1300 / 227, rel=0.002)
    middle = [arc for arc in found.arcs if abs(arc.y_mm + 120) < 30]
    assert len(middle) >= 8
    assert all(arc.part.is_side and arc.move is RimMove.ADVANCES for arc in middle)
    assert [arc.advance_mm for arc in middle] == pytest.approx([6.5] * len(middle), abs=0.15)


def test_sides_that_close_four_times_faster_than_ends_are_told_apart() -> None:
    # Tavankar et al. (Oriental beech): width closes 18.4 mm a year, length 4.5
    found = rimfield.field([box(40, 90)], [box(40 - 3.68, 90 - 0.9)])
    assert found is not None and found.sides is not None and found.ends is not None
    upright = [arc.advance_mm for arc in found.arcs if arc.part.is_side and abs(arc.y_mm + 120) < 35]
    level = [arc.advance_mm for arc in found.arcs if not arc.part.is_side and abs(arc.x_mm) < 12]
    assert np.mean(upright) == pytest.approx(1.84, abs=0.02)
    assert np.mean(level) == pytest.approx(0.45, abs=0.02)
    assert found.sides.advance_mm > 3 * found.ends.advance_mm


def test_a_closed_wound_advanced_by_its_radius() -> None:
    found = rimfield.field([ellipse(6, 6)], [])
    assert found is not None
    assert found.whole.advance_mm == pytest.approx(6.0, abs=0.01)  # pi r2 over half of 2 pi r
    assert rimfield.field([], [ellipse(6, 6)]) is None


def test_an_island_that_grows_advances_over_the_opening() -> None:
    island, grown = (ellipse(r, r)[::-1] for r in (5, 6))
    found = rimfield.field([ellipse(30, 30), island], [ellipse(30, 30), grown])
    assert found is not None
    inner = [arc for arc in found.arcs if np.hypot(arc.x_mm, arc.y_mm + 120) < 8]
    assert [arc.advance_mm for arc in inner] == pytest.approx([1.0] * len(inner), abs=0.1)
    assert [arc.part for arc in inner if arc.y_mm > -117] == [RimPart.LOWER_END]  # the opening lies above it
    outer = [arc.advance_mm for arc in found.arcs if np.hypot(arc.x_mm, arc.y_mm + 120) > 20]
    assert outer == pytest.approx([0.0] * len(outer), abs=0.05)


def test_a_shifted_rim_advances_on_one_side_and_retreats_on_the_other() -> None:
    found = rimfield.field([ellipse(15, 25)], [ellipse(15, 25) + np.array([2.0, -1.0])])
    assert found is not None
    assert found.whole.advance_mm == pytest.approx(0.0, abs=0.01)
    assert found.parts[RimPart.LEFT_SIDE].advance_mm == pytest.approx(2.0, abs=0.3)
    assert found.parts[RimPart.RIGHT_SIDE].advance_mm == pytest.approx(-2.0, abs=0.3)


def test_the_uncertainty_of_a_part_is_that_of_rims_and_map() -> None:
    # two unknowns: a stretch round the trunk, a shift round the trunk
    def rates(at: np.ndarray) -> np.ndarray:
        none = np.zeros(len(at))
        return np.stack([np.stack([at[:, 0], none + 1], axis=1), np.stack([none, none], axis=1)], axis=1)

    parting = Parting(rates, np.diag([0.002**2, 0.05**2]))
    rims = (RimSd(0.2, 0.3), RimSd(0.25, 0.1))
    found = rimfield.field([box(40, 90)], [box(36, 90)], parting=parting, rim_sd=rims, wander_length_mm=5.0)
    assert found is not None and found.sides is not None
    left = found.parts[RimPart.LEFT_SIDE]
    # places and rims drawn by lot (JCGM 101); on one side the rim only moves along x, by what parts the bark there
    rng = np.random.default_rng(6)
    count = 20_000
    light = rng.normal(0, 0.1, count)  # moves all of the bark
    place = rng.normal(0, 0.002, count) * -20 + rng.normal(0, 0.05, count) + light
    place += rng.normal(0, 0.05 * np.sqrt(50 / left.length_mm), count)
    rim_of = sum(rng.normal(0, sd.whole_mm, count) for sd in rims)
    wander = sum(rng.normal(0, sd.wander_mm * np.sqrt(5 / left.length_mm), count) for sd in rims)
    assert left.advance_mm_sd == pytest.approx(float(np.std(place + rim_of + wander)), rel=0.03)
    # a shift of the bark cancels between the two sides, a stretch does not
    stretch = rng.normal(0, 0.002, count) * 20 + rng.normal(0, 0.05 * np.sqrt(50 / found.sides.length_mm), count)
    wander = sum(rng.normal(0, sd.wander_mm * np.sqrt(5 / found.sides.length_mm), count) for sd in rims)
    assert found.sides.advance_mm_sd == pytest.approx(float(np.std(stretch + rim_of + wander)), rel=0.03)


def test_nothing_is_said_of_an_arc_that_is_not_sure() -> None:
    unsure, sure = ((RimSd(sd, 0.0), RimSd(sd, 0.0)) for sd in (1.0, 0.05))
    moves = {
        name: {arc.move for arc in found.arcs}
        for name, found in (
            ("unsure", rimfield.field([ellipse(20, 20)], [ellipse(19.5, 19.5)], rim_sd=unsure)),
            ("advances", rimfield.field([ellipse(20, 20)], [ellipse(19.5, 19.5)], rim_sd=sure)),
            ("retreats", rimfield.field([ellipse(20, 20)], [ellipse(21, 21)], rim_sd=sure)),
            ("still", rimfield.field([ellipse(20, 20)], [ellipse(20, 20)], rim_sd=sure)),
        )
        if found is not None
    }
    assert moves == {
        "unsure": {RimMove.UNCLEAR},
        "advances": {RimMove.ADVANCES},
        "retreats": {RimMove.RETREATS},
        "still": {RimMove.STILL},
    }

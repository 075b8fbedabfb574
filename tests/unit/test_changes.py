"""Change points against a calculation of another kind: one joint normal density a kind and gap, with scipy."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
import scipy.stats

from pipeline import timeline
from pipeline.changes import (
    DEFAULT_PRIOR,
    SAME_RIM,
    ChangeKind,
    Motion,
    motion_of,
    opened_between,
    visit_covariance,
    weigh,
    weigh_many,
)
from pipeline.settings import TimeSettings
from tests.season import reading

PLAIN = replace(DEFAULT_PRIOR, odd=0.0, large=0.0)
ALL_YEAR = tuple(range(1, 13))


def motion(width: list[float], height: list[float], sd: float = 0.5, together: float = 0.75) -> Motion:
    count = len(width)
    covariance = sd**2 * np.array([[1.0, together], [together, 1.0]])
    return Motion(
        np.arange(count) * 1.0,
        np.column_stack([width, height]),
        np.tile(covariance, (count, 1, 1)),
        np.full(count, 2025),
    )


def joint(
    m: Motion,
    kind: ChangeKind | None,
    gap: int,
    jump: float = DEFAULT_PRIOR.jump,
    jump_sd: float = DEFAULT_PRIOR.jump_sd,
) -> float:
    """Log density of all sizes after the first visit, given the first: a linear model with normal unknowns.

    Unknowns: level at the first visit (2), pace before (2), pace after (2) or jump (2), place of the change in its gap.
    """
    p, t = PLAIN, m.months - m.months[0]
    if kind is ChangeKind.OPENED:  # only what is larger than expected can have been made larger
        so_far = filtered(m, gap)
        if (m.size_mm[gap + 1] - so_far[:2] + t[gap + 1] * so_far[2:]).sum() <= 0:
            return -np.inf
    pace, pace_var = np.array([2 * p.pace, 2 * p.end_pace]), np.diag([4 * p.pace_sd**2, 4 * p.end_pace_sd**2])
    still = 4 * p.still_sd**2 * np.eye(2)
    count = t.size
    mean, cov = np.zeros((count, 2)), np.zeros((count, 2, count, 2))
    middle = 0.5 * (t[gap] + t[gap + 1])
    changes = kind in (ChangeKind.STOPPED, ChangeKind.PACE)
    before = np.minimum(t, middle) if changes else t
    after = np.maximum(t - middle, 0.0) if changes else np.zeros(count)
    mean += m.size_mm[0] - before[:, None] * pace
    cov += np.einsum("a,b,ij->aibj", before, before, pace_var) + m.covariance[0][None, :, None, :]
    later = (np.arange(count) > gap).astype(float)
    if kind is ChangeKind.STOPPED:
        cov += np.einsum("a,b,ij->aibj", after, after, still)
    if kind is ChangeKind.PACE:
        mean -= after[:, None] * pace
        cov += np.einsum("a,b,ij->aibj", after, after, pace_var)
    if kind is ChangeKind.OPENED:
        mean += later[:, None] * jump
        since = np.maximum(t - t[gap + 1], 0.0)
        cov += np.einsum("a,b,ij->aibj", since, since, pace_var)
        cov += np.einsum("a,b,ij->aibj", later, later, jump_sd**2 * np.array([[1.0, 0.8], [0.8, 1.0]]))
    if changes:
        known = filtered(m, gap)[2:]
        usual = np.zeros(2) if kind is ChangeKind.STOPPED else pace
        place = np.diag((1.0 * (known - usual)) ** 2 / 12.0)
        cov += np.einsum("a,b,ij->aibj", later, later, place)
    for k in range(1, count):
        cov[k, :, k, :] += m.covariance[k]
    keep = slice(1, count)
    flat = cov[keep, :, keep, :].reshape(2 * (count - 1), -1)
    return float(scipy.stats.multivariate_normal(mean[keep].ravel(), flat).logpdf(m.size_mm[keep].ravel()))


def filtered(m: Motion, gap: int) -> np.ndarray:
    """Mean of the sizes at the first visit and of the paces, from visits up to ``gap``: with a prior."""
    p = PLAIN
    pace = np.array([2 * p.pace, 2 * p.end_pace])
    precision = np.zeros((4, 4))
    precision[:2, :2] = np.linalg.inv(m.covariance[0])
    precision[2:, 2:] = np.diag([1 / (4 * p.pace_sd**2), 1 / (4 * p.end_pace_sd**2)])
    right = precision @ np.concatenate([m.size_mm[0], pace])
    for k in range(1, gap + 1):
        design = np.hstack([np.eye(2), -(m.months[k] - m.months[0]) * np.eye(2)])
        weight = np.linalg.inv(m.covariance[k])
        precision += design.T @ weight @ design
        right += design.T @ weight @ m.size_mm[k]
    return np.linalg.solve(precision, right)


@pytest.mark.parametrize("seed", range(4))
def test_probabilities_equal_those_of_joint_densities(seed: int) -> None:
    """Bayes's rule over every kind and gap, densities by scipy.stats.multivariate_normal (no filter, no recursion)."""
    rng = np.random.default_rng(seed)
    count = 6
    width = 20.0 - 1.2 * np.minimum(np.arange(count), 3 if seed % 2 else 9) + rng.normal(0, 0.5, count)
    height = 30.0 - 0.3 * np.arange(count) + rng.normal(0, 0.5, count)
    m = motion(list(width), list(height))
    stop, pace, opened = -np.expm1(-PLAIN.stops), -np.expm1(-PLAIN.changes), PLAIN.openings
    stay = 1.0 - stop - pace - opened
    chance = {ChangeKind.STOPPED: stop, ChangeKind.PACE: pace, ChangeKind.OPENED: opened}
    log = {(None, 0): joint(m, None, 0) + (count - 1) * np.log(stay)}
    for kind, p in chance.items():
        for gap in range(count - 1):
            # after its change a filter is followed alone: only the gaps before it stayed without one
            log[kind, gap] = joint(m, kind, gap) + np.log(p) + gap * np.log(stay)
    top = max(log.values())
    total = sum(np.exp(v - top) for v in log.values())
    found = weigh(m, prior=PLAIN)
    for kind in ChangeKind:
        expected = sum(np.exp(v - top) for (k, _), v in log.items() if k is kind) / total
        assert found[kind].p == pytest.approx(expected, rel=1e-6)
        assert found[kind].gap == max((v, g) for (k, g), v in log.items() if k is kind)[1]


def test_many_at_once_are_the_same_as_one_by_one() -> None:
    motions = [motion([20.0 - k * i for i in range(5 + k % 2)], [30.0] * (5 + k % 2)) for k in range(4)]
    for one, m in zip(weigh_many(motions), motions, strict=True):
        assert {k: c.p for k, c in one.items()} == pytest.approx({k: c.p for k, c in weigh(m).items()})


def test_what_each_change_looks_like() -> None:
    height = [40.0 - 0.3 * i for i in range(9)]
    going = weigh(motion([30.0 - 1.4 * i for i in range(9)], height))
    assert all(change.p < 0.15 for change in going.values())
    stopped = weigh(motion([30.0 - 1.4 * min(i, 4) for i in range(9)], height[:5] + [height[4]] * 4))
    assert stopped[ChangeKind.STOPPED].p > 0.9
    assert stopped[ChangeKind.STOPPED].gap in (3, 4)
    assert stopped[ChangeKind.STOPPED].pace_before == pytest.approx(0.7, abs=0.1)
    faster = weigh(motion([30.0 - 0.8 * i - 1.8 * max(i - 4, 0) for i in range(9)], height))
    assert faster[ChangeKind.PACE].p > 0.8
    assert faster[ChangeKind.PACE].pace_after == pytest.approx(1.3, abs=0.2)
    opened = weigh(
        motion(
            [30.0 - 1.4 * i + (6.0 if i > 4 else 0.0) for i in range(9)],
            [h + 5.0 * (i > 4) for i, h in enumerate(height)],
        )
    )
    assert opened[ChangeKind.OPENED].p > 0.95
    assert opened[ChangeKind.OPENED].gap == 4
    assert opened[ChangeKind.OPENED].jump_mm == pytest.approx(6.0, abs=0.5)


def test_a_rim_seen_too_far_out_as_a_whole_hides_no_stop() -> None:
    """The same width with errors of the whole rim (sd 0.5 mm): height shares them, and the stop is still seen."""
    whole = [0.0, 0.9, -0.7, 0.4, 0.8, -0.9, 0.6, -0.6, 0.9]
    width = [30.0 - 0.9 * min(i, 4) + e for i, e in enumerate(whole)]
    height = [40.0 - 0.22 * min(i, 4) + e for i, e in enumerate(whole)]
    known = weigh(motion(width, height, sd=0.6, together=0.95), (ChangeKind.STOPPED,))
    alone = weigh(motion(width, height, sd=0.6, together=0.0), (ChangeKind.STOPPED,))
    assert known[ChangeKind.STOPPED].p > 0.9
    assert known[ChangeKind.STOPPED].p > alone[ChangeKind.STOPPED].p


def test_one_misread_visit_is_no_change() -> None:
    width = [30.0 - 1.4 * i for i in range(9)]
    width[5] = 3.0
    found = weigh(motion(width, [40.0 - 0.3 * i for i in range(9)]))
    assert all(change.p < 0.3 for change in found.values())


def test_false_calls_among_many_sites_are_as_rare_as_their_probabilities_say() -> None:
    """300 drawn from the model: of those called at 0.6 and more, the mean of 1 - p errs (Newton et al. 2004).

    With room for chance: three standard deviations of a Poisson number.
    """
    rng = np.random.default_rng(7)
    motions, truth = [], []
    for _ in range(300):
        pace = 2 * np.maximum(rng.normal((PLAIN.pace, PLAIN.end_pace), (PLAIN.pace_sd, PLAIN.end_pace_sd)), 0.0)
        stop = rng.exponential(1.0 / PLAIN.stops)
        way = np.minimum(np.arange(8.0), stop)
        cov = 0.25 * np.array([[1.0, 0.75], [0.75, 1.0]])
        size = np.array([40.0, 50.0]) - way[:, None] * pace + rng.multivariate_normal((0, 0), cov, 8)
        motions.append(motion(list(size[:, 0]), list(size[:, 1])))
        truth.append(stop < 7.0)
    p = np.array([found[ChangeKind.STOPPED].p for found in weigh_many(motions, (ChangeKind.STOPPED,), PLAIN)])
    called = p >= 0.6
    false = sum(not t for t, c in zip(truth, called, strict=True) if c)
    expected = float((1.0 - p[called]).sum())
    assert called.sum() > 10
    assert false <= expected + 3.0 * np.sqrt(expected) + 1.0


def test_visits_become_a_motion_over_growing_months() -> None:
    days = [date(2025, 1, 1) + timedelta(days=30 * i) for i in range(4)]
    visits = timeline.visits_of(205, [reading(d, 20.0 - i) for i, d in enumerate(days)], TimeSettings())
    m = motion_of(visits, ALL_YEAR)
    assert m is not None
    np.testing.assert_allclose(m.months, np.arange(4) * 30 / 30.4375)
    np.testing.assert_allclose(m.size_mm[:, 0], [20.0, 19.0, 18.0, 17.0])
    assert (np.linalg.eigvalsh(m.covariance) > 0).all()
    assert motion_of(visits[:2], ALL_YEAR) is None
    winter = motion_of(visits, (7, 8))
    assert winter is not None
    assert not winter.months.any()


def test_a_fresh_rim_that_stands_does_not_move_the_opening_to_a_later_visit() -> None:
    """Known by construction (drawn so in the demo grove): 28 mm wider at the fourth visit, and standing from there."""
    width, height = [37.0, 26.0, 20.6, 48.7, 48.9, 47.9], [47.0, 40.7, 36.5, 57.8, 58.1, 57.6]
    found = weigh(motion(width, height))[ChangeKind.OPENED]
    assert found.p > 0.9
    assert found.gap == 2


def test_a_wound_that_shrinks_fast_was_not_opened() -> None:
    """A wound that lost 6 mm in a month and went on slowly (drawn so in the demo grove)."""
    found = weigh(motion([21.5, 15.3, 12.6, 11.4, 9.9], [24.0, 18.5, 16.0, 15.0, 13.5]))
    assert found[ChangeKind.OPENED].p < 0.05


def test_an_opening_in_a_given_gap_equals_joint_densities_with_both_kinds_of_jump() -> None:
    """Bayes's rule over no change and an opening in every gap, small or large; densities by scipy."""
    m = motion([20.0, 19.0, 18.2, 33.0, 32.1], [30.0, 29.8, 29.5, 41.0, 40.9])
    prior = replace(DEFAULT_PRIOR, odd=0.0)
    opened, stay = prior.openings, 1.0 - prior.openings
    log = {(None, 0): joint(m, None, 0) + 4 * np.log(stay)}
    for gap in range(4):
        small = joint(m, ChangeKind.OPENED, gap)
        large = joint(m, ChangeKind.OPENED, gap, jump=prior.large_jump, jump_sd=prior.large_jump_sd)
        both = np.logaddexp(small + np.log(1 - prior.large), large + np.log(prior.large))
        log[ChangeKind.OPENED, gap] = both + np.log(opened) + gap * np.log(stay)
    top = max(log.values())
    total = sum(np.exp(v - top) for v in log.values())
    for gap in range(4):
        expected = np.exp(log[ChangeKind.OPENED, gap] - top) / total
        assert opened_between([m, m], [0, gap], prior)[1] == pytest.approx(expected, rel=1e-6)
    assert opened_between([m], [2], prior)[0] > 0.99


def test_rim_and_scale_are_told_apart_by_the_two_uncertainties() -> None:
    """Covariance of sizes made from a rim and a scale, by the law of propagation: s_w s_h parts add."""
    rim, scale = 0.5, 0.01
    size = np.array([[20.0, 90.0], [20.0, 21.0]])
    own = np.sqrt(rim**2 + (scale * size) ** 2)
    found = visit_covariance(size, own)
    assert found[0, 0, 1] == pytest.approx(SAME_RIM * rim**2 + scale**2 * 20.0 * 90.0)
    assert found[1, 0, 1] == pytest.approx(SAME_RIM * own[1].min() ** 2)  # as good as equal: all of it is the rim's
    assert all(np.linalg.eigvalsh(c).min() > 0 for c in found)

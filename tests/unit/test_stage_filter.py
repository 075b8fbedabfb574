"""The stage filter against an enumeration of every path, and the behaviour it is there for."""

import itertools
from datetime import date, timedelta

import numpy as np
import pytest

from pipeline import timeline
from pipeline.records import Event, EventKind, Stage
from pipeline.settings import GroveSettings, TimeSettings
from pipeline.timeline.stages import Step, first_prior, step_matrix, transition
from tests.season import SITE, reading, sure

TIME, GROVE = TimeSettings(), GroveSettings()
START = date(2025, 4, 1)


def steps_for(rng: np.random.Generator, count: int) -> list[Step]:
    opened = rng.random(count) < 0.25
    return [
        Step(
            days=None if i == 0 else int(rng.integers(3, 90)),
            opened=bool(i and opened[i]),
            days_since_wounding=int(rng.integers(0, 60)) if i == 0 or opened[i] else None,
            seen=tuple(float(v) for v in rng.dirichlet(np.ones(6)) + 0.02),
        )
        for i in range(count)
    ]


@pytest.mark.parametrize("seed", range(4))
def test_filter_and_smoother_equal_the_sum_over_all_paths(seed: int) -> None:
    """6**4 paths, each weighted by its prior, transitions and likelihoods (definition of a hidden Markov model)."""
    steps = steps_for(np.random.default_rng(seed), 4)
    start = np.array(first_prior(steps[0], TIME))
    matrices = [np.array(step_matrix(step, TIME)) for step in steps[1:]]

    def posterior(visit: int, known: int) -> np.ndarray:
        weights = np.zeros(6)
        for path in itertools.product(range(6), repeat=known):
            weight = start[path[0]] * steps[0].seen[path[0]]
            for k in range(1, known):
                weight *= matrices[k - 1][path[k - 1], path[k]] * steps[k].seen[path[k]]
            weights[path[visit]] += weight
        return weights / weights.sum()

    filtered, smoothed = timeline.filter_stages(steps, TIME), timeline.smooth_stages(steps, TIME)
    for k in range(4):
        np.testing.assert_allclose(filtered[k], posterior(k, k + 1), atol=1e-12)
        np.testing.assert_allclose(smoothed[k], posterior(k, 4), atol=1e-12)


def test_transitions_are_those_of_a_chain_that_goes_forward_only() -> None:
    """Against the closed form of the time in the first stage: exponential with its mean."""
    matrix = np.array(transition(40, TIME.stage_mean_days))
    np.testing.assert_allclose(matrix.sum(axis=1), 1.0)
    assert not np.tril(matrix, -1).any()
    assert matrix[0, 0] == pytest.approx(np.exp(-40 / TIME.stage_mean_days[0]))
    np.testing.assert_allclose(
        np.array(transition(10, TIME.stage_mean_days)) @ np.array(transition(30, TIME.stage_mean_days)), matrix
    )


def stages_seen(shown: list[Stage], widths: list[float], events: tuple[Event, ...] = ()) -> list[Stage]:
    photos = [
        reading(START + timedelta(days=30 * i), w, stage_p=sure(s))
        for i, (s, w) in enumerate(zip(shown, widths, strict=True))
    ]
    return [v.stage for v in timeline.site_history(SITE, photos, events, TIME, GROVE).visits]


@pytest.mark.parametrize("odd", [s for s in Stage if s is not Stage.CALLUS])
def test_one_odd_photo_does_not_flip_the_stage(odd: Stage) -> None:
    """The opening stays as it was (20 mm); one photo is read as any other stage."""
    shown = [Stage.CALLUS] * 4 + [odd] + [Stage.CALLUS] * 2
    assert stages_seen(shown, [20.0] * 7)[3:] == [Stage.CALLUS] * 4


@pytest.mark.parametrize(
    ("new", "width"), [(Stage.CLOSING, 15.0), (Stage.CLOSED, 0.0), (Stage.REBARKED, 0.0), (Stage.RESINOUS, 20.0)]
)
def test_three_in_a_row_flip_it_even_backward(new: Stage, width: float) -> None:
    shown = [Stage.CALLUS] * 4 + [new] * 3
    assert stages_seen(shown, [20.0] * 4 + [width] * 3)[-1] is new


def test_an_event_lets_the_stage_go_back_at_once() -> None:
    cut = Event(START + timedelta(days=100), EventKind.CUT, site=205)
    shown = [Stage.CLOSING] * 4 + [Stage.FRESH]
    assert stages_seen(shown, [20.0, 17.0, 14.0, 12.0, 40.0], (cut,))[-1] is Stage.FRESH


def test_posteriors_are_probabilities_and_do_not_depend_on_later_visits() -> None:
    photos = [reading(START + timedelta(days=25 * i), 20.0 - i, stage_p=sure(Stage.CALLUS, 0.6)) for i in range(6)]
    whole = timeline.site_history(SITE, photos, (), TIME, GROVE).visits
    part = timeline.site_history(SITE, photos[:4], (), TIME, GROVE).visits
    assert [v.stage_posterior for v in whole[:4]] == [v.stage_posterior for v in part]
    for visit in whole:
        assert sum(visit.stage_posterior) == pytest.approx(1.0)

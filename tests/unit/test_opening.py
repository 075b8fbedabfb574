"""P(opening | stage) against numerical integration, what the filter makes of it, and the filter against hmmlearn."""

from __future__ import annotations

import itertools
from datetime import date, timedelta

import numpy as np
import pytest
import scipy.integrate
import scipy.stats

from pipeline import alerts, timeline
from pipeline.records import Flag, Reading, Severity, SiteHistory, Stage, Visit
from pipeline.settings import GroveSettings, Settings, TimeSettings
from pipeline.timeline.opening import (
    OTHER_SIZE,
    SEAM_SEEN,
    contradicts,
    likelihood_of_opening,
    reach_of_closing,
)
from pipeline.timeline.stages import Step, first_prior, step_matrix
from tests.season import SITE, reading, register, sure

TIME, GROVE, SETTINGS = TimeSettings(), GroveSettings(), Settings()
START = date(2025, 4, 1)


@pytest.mark.parametrize("first", [(14.0, 0.5), (40.0, 4.0), (6.0, 0.6)])
@pytest.mark.parametrize("sd", [0.3, 1.0, 4.5])
def test_none_and_all_widths_sum_to_one_for_every_stage(first: tuple[float, float], sd: float) -> None:
    """Definition of a probability, by scipy.integrate.quad."""
    none = likelihood_of_opening(0.0, None, first, TIME)
    edges = sorted(
        {0.0, 1.0, 0.75 * first[0], 0.95 * first[0], first[0], 1.1 * first[0], 60.0, max(3 * first[0], 60.0)}
    )
    for stage in Stage:
        seen = sum(
            scipy.integrate.quad(lambda w, s=stage: likelihood_of_opening(w, sd, first, TIME)[s], a, b, limit=200)[0]
            for a, b in itertools.pairwise(edges)
        )
        assert none[stage] + seen == pytest.approx(1.0, abs=1e-6)


def test_a_seam_is_uniform_blurred_and_cut_at_zero() -> None:
    """Against scipy: convolution of a uniform with a normal by quadrature, divided by its mass above 0."""
    sd, bound = 1.5, TIME.closed_width_mm

    def blurred(width: float) -> float:
        return scipy.integrate.quad(lambda true: scipy.stats.norm(true, sd).pdf(width) / bound, 0.0, bound)[0]

    mass = scipy.integrate.quad(blurred, 0.0, 15.0)[0]
    odd = 0.5 * TIME.odd_size_p / 60.0
    for width in (0.2, 2.0, 5.0):
        expected = (1 - TIME.odd_size_p) * SEAM_SEEN * blurred(width) / mass + odd
        assert likelihood_of_opening(width, sd, (20.0, 0.5), TIME)[Stage.CLOSED] == pytest.approx(expected, rel=1e-6)


def test_the_closer_look_the_more_is_said() -> None:
    """Closed against closing, openings of 5 mm: nearly even at a wide interval, clear at a narrow one, bounded."""

    def odds(sd: float) -> float:
        seen = likelihood_of_opening(5.0, sd, (12.0, 0.5), TIME)
        return seen[Stage.CLOSING] / seen[Stage.CLOSED]

    assert odds(5.0) < odds(2.0) < odds(0.5)
    assert 1.0 < odds(5.0) < 12.0
    assert 50.0 < odds(0.5) < 1000.0
    assert OTHER_SIZE < 0.5
    assert likelihood_of_opening(None, None, None, TIME) == (1.0,) * 6


def history(shown: list[tuple[Stage, float]], area_rel_sd: float = 0.03) -> SiteHistory:
    photos = [
        reading(START + timedelta(days=30 * i), width, stage_p=sure(stage), area_rel_sd=area_rel_sd)
        for i, (stage, width) in enumerate(shown)
    ]
    return timeline.site_history(SITE, photos, (), TIME, GROVE)


def visits(shown: list[tuple[Stage, float]]) -> tuple[Visit, ...]:
    return history(shown).visits


def test_an_opening_of_305_mm2_is_not_called_closed_by_the_photos_alone() -> None:
    """The demo grove's site 120508 as the classical reader sees it: 299, 226, 178, 275, 305 mm2, sd 110 to 230."""
    shown = [Stage.CLOSING] * 3 + [Stage.CLOSED] * 2
    widths, spreads = (17.3, 15.0, 13.3, 16.6, 17.5), (0.45, 0.53, 0.6, 0.85, 0.5)
    photos: list[Reading] = [
        reading(START + timedelta(days=45 * i), width, stage_p=sure(stage, 0.8), area_rel_sd=spread)
        for i, (stage, width, spread) in enumerate(zip(shown, widths, spreads, strict=True))
    ]
    seen = timeline.site_history(SITE, photos, (), TIME, GROVE).visits
    assert [v.stage for v in seen[3:]] == [Stage.CLOSING] * 2


@pytest.mark.parametrize("odd", [Stage.FRESH, Stage.CALLUS, Stage.CLOSED, Stage.REBARKED])
@pytest.mark.parametrize("width", [0.0, 25.0])
def test_one_swapped_photo_with_its_opening_does_not_flip_the_stage(odd: Stage, width: float) -> None:
    """A photo of another wound is wrong in stage and opening at once."""
    shown = [(Stage.CLOSING, w) for w in (20.0, 17.0, 15.0, 13.0)] + [(odd, width)] + [(Stage.CLOSING, 9.5)] * 2
    assert [v.stage for v in visits(shown)[3:]] == [Stage.CLOSING] * 4
    shut = [(Stage.CLOSED, 0.0)] * 4 + [(Stage.CALLUS, width)] + [(Stage.CLOSED, 0.0)] * 2
    assert [v.stage for v in visits(shut)[3:]] == [Stage.CLOSED] * 4


def test_three_in_a_row_flip_it_with_their_opening() -> None:
    assert visits([(Stage.CALLUS, 20.0)] * 4 + [(Stage.CLOSED, 0.0)] * 3)[-1].stage is Stage.CLOSED
    assert visits([(Stage.CLOSED, 0.0)] * 4 + [(Stage.CALLUS, 15.0)] * 3)[-1].stage is Stage.CALLUS


def test_what_disagrees_is_said() -> None:
    """A wound known as closed, and a photo that looks closed and shows an opening of 15 mm all the same."""
    site = history([(Stage.CLOSING, 6.0), *[(Stage.CLOSED, 0.0)] * 4, (Stage.CLOSED, 15.0)])
    last = site.visits[-1]
    assert last.stage is Stage.CLOSED
    assert Flag.STAGE_AGAINST_OPENING in last.flags
    assert not any(Flag.STAGE_AGAINST_OPENING in v.flags for v in site.visits[:-1])
    found = {f.rule: f for f in alerts.find([site], register(SITE), SETTINGS, last.visit_on)}
    assert found["stage and opening disagree"].severity is Severity.NOTE
    assert "15.0" in found["stage and opening disagree"].why
    status, reasons = alerts.tree_status([site], (), SETTINGS)
    assert status != "closed on the surface"
    assert "do not go together" in reasons[0]


def test_contradictions_by_definition() -> None:
    assert contradicts(True, False, 17.5, 4.4, TIME)
    assert not contradicts(True, False, 1.5, 0.6, TIME)
    assert not contradicts(True, False, 0.0, 1.0, TIME)
    assert not contradicts(True, False, None, None, TIME)
    assert contradicts(False, True, 0.0, 1.0, TIME)
    assert not contradicts(False, False, 0.0, 1.0, TIME)


def test_sides_cannot_meet_faster_than_wood_grows() -> None:
    """20 mm in 30 days cannot be covered at 24 mm a year; 3 mm can; a fast wound is given its own pace."""
    before, sd = np.array([20.0, 3.0, 8.0, 0.0, np.nan]), np.array([0.5, 0.5, 0.5, 1.0, np.nan])
    reach = reach_of_closing(before, sd, np.full(5, 30.0), np.array([0.0, 0.0, 0.1, 0.0, 0.0]), TIME)
    assert reach[0] == pytest.approx(0.05, abs=0.01)
    assert reach[1] > 0.95
    assert reach[2] > 0.9
    assert reach[3:].tolist() == [1.0, 1.0]


@pytest.mark.parametrize("seed", range(3))
def test_filter_and_smoother_equal_an_independent_library(seed: int) -> None:
    """hmmlearn 0.3: posteriors of a chain with equal steps; its last posterior of each beginning is the filter."""
    hmm = pytest.importorskip("hmmlearn.hmm", reason="hmmlearn is not installed")
    rng = np.random.default_rng(seed)
    count = 12
    symbols = rng.integers(0, 9, count)
    emission = rng.dirichlet(np.ones(9), size=6)
    steps = [
        Step(None if i == 0 else 30, False, 10 if i == 0 else None, tuple(float(v) for v in emission[:, s]))
        for i, s in enumerate(symbols)
    ]
    model = hmm.CategoricalHMM(n_components=6, init_params="")
    model.n_features = 9
    model.startprob_ = np.array(first_prior(steps[0], TIME))
    model.transmat_ = np.array(step_matrix(steps[1], TIME))
    model.emissionprob_ = emission
    column = symbols.reshape(-1, 1)
    filtered = timeline.filter_stages(steps, TIME)
    np.testing.assert_allclose(timeline.smooth_stages(steps, TIME), model.predict_proba(column), atol=1e-9)
    for k in range(count):
        np.testing.assert_allclose(filtered[k], model.predict_proba(column[: k + 1])[-1], atol=1e-9)

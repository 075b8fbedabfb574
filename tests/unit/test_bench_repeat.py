"""What a network states of its rims: recovered from rims of known spread."""

import numpy as np
import pytest

from benchmarks.bench_repeat import fit
from pipeline.errors import UsageError

OWN_MM = 0.25


def rims(seed: int, wounds: int, habit_mm: float, repeat_mm: float, offset_mm: float) -> list[list[float]]:
    rng = np.random.default_rng(seed)
    habits = rng.normal(offset_mm, habit_mm, wounds)
    return [rng.normal(habit, repeat_mm, 2).tolist() for habit in habits]


def test_normal_rims_give_their_own_deviations() -> None:
    # The 95 % interval of a normal distribution is 1.96 deviations (JCGM 100:2008, table G.1).
    found = fit(rims(1, 3000, 0.6, 0.4, -0.35), OWN_MM)
    assert found.offset_mm == pytest.approx(-0.35, abs=0.04)
    # the median of n normal means has the deviation 1.2533 / sqrt(n) of one (Kendall & Stuart)
    assert found.offset_sd_mm == pytest.approx(1.2533 * np.sqrt(0.6**2 + 0.4**2 / 2) / np.sqrt(3000), rel=0.35)
    assert np.hypot(found.sd_mm, OWN_MM) == pytest.approx(np.hypot(0.6, 0.4), rel=0.04)
    assert np.hypot(found.repeat_sd_mm, OWN_MM) == pytest.approx(0.4, rel=0.04)


def test_a_few_gross_misreadings_widen_the_interval_and_do_not_pull_the_offset() -> None:
    plain = rims(2, 400, 0.2, 0.1, 0.0)
    gross = [*plain, *([-6.0, -6.2] for _ in range(30))]
    assert fit(gross, OWN_MM).offset_mm == pytest.approx(fit(plain, OWN_MM).offset_mm, abs=0.05)
    assert fit(gross, OWN_MM).sd_mm > 5 * fit(plain, OWN_MM).sd_mm


def test_too_few_wounds_state_nothing() -> None:
    with pytest.raises(UsageError, match="Too few wounds"):
        fit(rims(3, 7, 0.5, 0.3, 0.0), OWN_MM)

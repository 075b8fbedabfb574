"""Whether a sign is there, followed over visits: a hidden Markov filter with two states, absent and present.

A reader's probability is the one at its own base rate; divided by that rate it says how much a photo speaks for the
sign (Bayes).  A share of photos is misread whatever they say, so no single photo can settle it; two can.  A sign that
visits no longer show is let go by the same rule.  Forward filter: Rabiner 1989, Proc. IEEE 77:257.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.seasons import DAYS_A_MONTH

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True)
class Coming:
    """How signs come and go, and how photos err; all own choice.

    Attributes
    ----------
    begins
        Chance that a site shows the sign when it is first seen.
    appears, goes
        Chance a month that it appears, that it disappears.
    base
        Share of photos with the sign at which the reader's probabilities are meant.
    odd
        Chance that a photo is misread whatever its probability.
    weak, missed
        Photos below ``weak`` do not show the sign, however near they come: what looks a little like it looks so in
        every photo, and must not add up.  ``missed`` is how much likelier such a photo is where the sign is there, as a
        share of where it is not.
    """

    begins: float = 0.005
    appears: float = 0.003
    goes: float = 0.15
    base: float = 0.06
    odd: float = 0.1
    weak: float = 0.35
    missed: float = 0.3


COMING = Coming()


def presence(days: Sequence[int], shown: Sequence[Sequence[float]], coming: Coming = COMING) -> list[float]:
    """Probability that the sign is there after each visit.

    Parameters
    ----------
    days
        Day numbers of the visits, rising.
    shown
        The probabilities of each visit's photos; none where no photo shows that part.
    """
    # Logarithms of odds, since a hundred photos of one visit would round the probability itself to 1.
    log_odds, found = math.log(coming.begins / (1.0 - coming.begins)), []
    for i, photos in enumerate(shown):
        if i:
            months = (days[i] - days[i - 1]) / DAYS_A_MONTH
            total = coming.appears + coming.goes
            settled, left = coming.appears / total, math.exp(-total * months)
            present, absent = _of(log_odds), _of(-log_odds)
            here = settled * (1.0 - left) + present * left
            away = (1.0 - settled) * (1.0 - left) + absent * left
            # Visits of one day leave everything as it was, also where a probability has rounded to 0 or 1.
            if left < 1.0:
                log_odds = math.log(here / away)
        log_odds += sum(math.log(_speaks(photo, coming)) for photo in photos)
        found.append(_of(log_odds))
    return found


def _of(log_odds: float) -> float:
    """The probability of log odds, without overflow on either side."""
    if log_odds >= 0:
        return 1.0 / (1.0 + math.exp(-log_odds))
    odds = math.exp(log_odds)
    return odds / (1.0 + odds)


def _speaks(photo: float, coming: Coming) -> float:
    """Likelihood of what a photo shows if the sign is there, against absent."""
    if photo < coming.weak:
        return coming.missed
    sure, odd = 1.0 - coming.odd, coming.odd
    return (sure * photo / coming.base + odd) / (sure * (1.0 - photo) / (1.0 - coming.base) + odd)

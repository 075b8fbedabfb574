"""What a measured opening says of the stage: P(width as read | stage), a proper distribution for each stage.

A photo shows no opening, or one of some width with a standard uncertainty.  For each stage this is a mixture: the
width that the stage allows (uniform between two bounds, blurred by the uncertainty, above 0), and a share of visits at
which the opening was misread altogether (another wound in the picture, a shadow taken for wood), whatever the stage.
The chances of "none" and of all widths sum to 1 for every stage, so that a wide interval says little, a narrow one
much, and neither says nonsense.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from pipeline.settings import TimeSettings

    Numbers: TypeAlias = NDArray[np.float64]

SeenAtStages = tuple[float, ...]

EARLY, BEAD, SHRINKING = (0.95, 1.1), (0.75, 1.05), (0.0, 0.95)
"""Bounds of the width as shares of the episode's first one: before callus, at callus, while closing; own choice."""
LEAST_SEEN_MM = 2.0
"""Narrower openings are read as none (``reading.min_aperture_mm2`` of 4 mm2)."""
SEAM_SEEN = 0.1
"""Chance that the seam of a closed wound is read as an opening; own choice."""
OTHER_SIZE = 0.2
"""Chance that an open wound has any other size: bark died back, or it was opened and nobody wrote it down."""
WIDEST_MM = 60.0
"""Openings at an episode's first visit are as likely at any width up to this; own choice."""
USUAL_MM_PER_DAY = 24.0 / 214.0
"""Width that is covered at most where the site has shown no faster pace: the fastest species mean seen, 24 mm a year
(Tavankar et al. 2017, Drewno), in seven growing months."""
FASTER = 3.0
"""How many times its own pace so far a wound may close in the end; own choice."""
TOO_FAST = 0.05
"""Chance of "closed" where the width of the visit before could not be covered since: that visit may be the odd one."""
_ROOT_2, _ROOT_TAU = math.sqrt(2.0), math.sqrt(2.0 * math.pi)


def likelihood_of_opening(
    width_mm: float | None,
    width_sd_mm: float | None,
    first: tuple[float, float] | None,
    settings: TimeSettings,
) -> SeenAtStages:
    """P(opening as read | stage), for the stages in order.

    Parameters
    ----------
    width_mm, width_sd_mm
        Of this visit, 0 where no opening was seen; ``None`` where not measured (then every stage is as likely).
    first
        Width and its standard uncertainty at the episode's first visit that shows an opening; ``None`` where there is
        none yet, then only open and closed are told apart.

    Returns
    -------
    tuple of float
        Probabilities where none was seen, else densities a mm; what they are is the same for all stages.
    """
    width, width_sd, first_mm, first_sd = (
        np.array([value], dtype=np.float64) for value in (width_mm, width_sd_mm, *(first or (None, None)))
    )
    return tuple(likelihoods_of_openings(width, width_sd, first_mm, first_sd, settings)[0].tolist())


def likelihoods_of_openings(
    width_mm: Numbers, width_sd_mm: Numbers, first_mm: Numbers, first_sd_mm: Numbers, settings: TimeSettings
) -> Numbers:
    """The same of N visits, shape (N, 6); all given have shape (N,), ``nan`` stands for ``None``."""
    odd = settings.odd_size_p
    width = np.nan_to_num(width_mm)
    is_first = np.isnan(first_mm)
    scale, scale_sd = np.where(is_first, WIDEST_MM, first_mm), np.where(is_first, 0.0, first_sd_mm)
    keep, widest = 1.0 - odd, np.maximum(3.0 * scale, WIDEST_MM)
    near = np.minimum(1.0, LEAST_SEEN_MM / (SHRINKING[1] * scale))
    stay = keep * (1.0 - OTHER_SIZE)

    shut, misread = 1.0 - SEAM_SEEN, 0.5 * odd
    none = np.full((width.size, 6), misread)
    none[:, 3] += stay * near
    none[:, 4:] += keep * shut

    found = np.where(np.isnan(width_mm)[:, None], 1.0, none)
    seen = np.flatnonzero(width > 0)  # densities cost most by far, and only an opening has one
    width, scale, scale_sd, widest, near = (a[seen] for a in (width, scale, scale_sd, widest, near))
    sd, is_first = _or_one(width_sd_mm[seen]), is_first[seen]
    anything = 0.5 * odd / widest
    some = np.empty((seen.size, 6))
    seam = keep * SEAM_SEEN * _density(width, sd, 0.0, settings.closed_width_mm) + anything
    some[:, 4] = some[:, 5] = seam
    sd = np.hypot(sd, scale_sd)
    other = anything + keep * OTHER_SIZE / widest
    early = stay * _density(width, sd, EARLY[0] * scale, EARLY[1] * scale) + other
    some[:, 0] = some[:, 1] = early
    some[:, 2] = stay * _density(width, sd, BEAD[0] * scale, BEAD[1] * scale) + other
    some[:, 3] = stay * (1.0 - near) * _density(width, sd, SHRINKING[0], SHRINKING[1] * scale) + other
    some[is_first, :4] = (keep / widest + anything)[is_first, None]
    found[seen] = some
    return found


def of_another_wound(width_mm: Numbers) -> Numbers:
    """The same of a wound of which nothing is known: open or not at even odds, at any width up to the widest."""
    return np.where(np.isnan(width_mm), 1.0, np.where(width_mm > 0, 0.5 / WIDEST_MM, 0.5))


def reach_of_closing(
    before_mm: Numbers, before_sd_mm: Numbers, days: Numbers, pace_mm_per_day: Numbers, settings: TimeSettings
) -> Numbers:
    """Weight of the closed stages after a visit with an opening: whether its sides can have met since.

    1 where they can, down to :data:`TOO_FAST` where they would have had to move faster than wood does.

    Parameters
    ----------
    before_mm, before_sd_mm
        Shape (N,): width of the opening at the visit before; ``nan`` where not measured.
    days
        Shape (N,): days since then.
    pace_mm_per_day
        Shape (N,): width lost a day in this episode up to then.
    """
    left = before_mm - settings.closed_width_mm - np.maximum(USUAL_MM_PER_DAY, FASTER * pace_mm_per_day) * days
    weight = np.ones_like(left)
    was_open = before_mm > 0
    can = 0.5 * erfc(left[was_open] / (_or_one(before_sd_mm[was_open]) * _ROOT_2))
    weight[was_open] = TOO_FAST + (1.0 - TOO_FAST) * can
    return weight


def contradicts(
    closed: ArrayLike, callus: ArrayLike, width_mm: ArrayLike, width_sd_mm: ArrayLike, settings: TimeSettings
) -> NDArray[np.bool_]:
    """Whether the stage and the opening of a visit do not go together; all given have the same shape.

    Parameters
    ----------
    closed, callus
        Whether the stage is closed or rebarked; whether it is callus or earlier.
    width_mm, width_sd_mm
        The opening, 0 where none was seen, ``nan`` where not measured.

    Returns
    -------
    array of bool
        True for an opening beyond a seam (one-sided 95 %) at a closed wound, and for none at one not yet closing.
    """
    width = np.asarray(width_mm, dtype=np.float64)
    sure = width - settings.closed_width_mm > 1.645 * _or_one(np.asarray(width_sd_mm, dtype=np.float64))
    return np.where(closed, sure, np.asarray(callus) & (width <= 0))


def _or_one(sd_mm: Numbers) -> Numbers:
    """An uncertainty that is not known, or 0, is taken as 1 mm."""
    return np.where(sd_mm > 0, sd_mm, 1.0)


def _density(width: Numbers, sd: Numbers, low: Numbers | float, high: Numbers | float) -> Numbers:
    """Density at ``width`` of a width uniform between two bounds, read with a normal error, given it is above 0."""
    inside = _normal_cdf((width - low) / sd) - _normal_cdf((width - high) / sd)
    below = sd * (_integral_of_cdf(-low / sd) - _integral_of_cdf(-high / sd))
    return np.maximum(0.0, inside) / np.maximum(high - low - below, 1e-12)


def erfc(values: Numbers) -> Numbers:
    """Complementary error function of each number."""
    return np.array([math.erfc(value) for value in values.tolist()])


def _normal_cdf(z: Numbers) -> Numbers:
    return 0.5 * erfc(-z / _ROOT_2)


def _integral_of_cdf(z: Numbers) -> Numbers:
    """Integral of the standard normal distribution function up to ``z``."""
    return z * _normal_cdf(z) + np.exp(-0.5 * z * z) / _ROOT_TAU

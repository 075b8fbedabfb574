"""What a measured opening says of the stage: P(width as read | stage), a proper distribution for each stage.

A photo shows no opening, or one of some width with a standard uncertainty.  For each stage this is a mixture: the
width that the stage allows (uniform between two bounds, blurred by the uncertainty, above 0), and a share of visits at
which the opening was misread altogether (another wound in the picture, a shadow taken for wood), whatever the stage.
The chances of "none" and of all widths sum to 1 for every stage, so that a wide interval says little, a narrow one
much, and neither says nonsense.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.settings import TimeSettings

SeenAtStages = tuple[float, float, float, float, float, float]

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
    if width_mm is None:
        return (1.0,) * 6
    odd = settings.odd_size_p
    scale, scale_sd = first or (WIDEST_MM, 0.0)
    keep, widest = 1.0 - odd, max(3.0 * scale, WIDEST_MM)
    near = min(1.0, LEAST_SEEN_MM / (SHRINKING[1] * scale))
    if width_mm <= 0:
        shut, misread = 1.0 - SEAM_SEEN, 0.5 * odd
        closed = keep * shut + misread
        closing = keep * (1.0 - OTHER_SIZE) * near + misread
        return misread, misread, misread, closing, closed, closed
    sd = width_sd_mm or 1.0
    anything = 0.5 * odd / widest
    seam = keep * SEAM_SEEN * _density(width_mm, sd, 0.0, settings.closed_width_mm) + anything
    if first is None:
        opened = keep / widest + anything
        return opened, opened, opened, opened, seam, seam
    sd = math.hypot(sd, scale_sd)
    other = anything + keep * OTHER_SIZE / widest
    stay = keep * (1.0 - OTHER_SIZE)
    early = stay * _density(width_mm, sd, EARLY[0] * scale, EARLY[1] * scale) + other
    bead = stay * _density(width_mm, sd, BEAD[0] * scale, BEAD[1] * scale) + other
    closing = stay * (1.0 - near) * _density(width_mm, sd, SHRINKING[0], SHRINKING[1] * scale) + other
    return early, early, bead, closing, seam, seam


def of_another_wound(width_mm: float | None) -> float:
    """The same of a wound of which nothing is known: open or not at even odds, at any width up to the widest."""
    if width_mm is None:
        return 1.0
    return 0.5 if width_mm <= 0 else 0.5 / WIDEST_MM


def reach_of_closing(
    before_mm: float | None, before_sd_mm: float | None, days: int, pace_mm_per_day: float, settings: TimeSettings
) -> float:
    """Weight of the closed stages after a visit with an opening: whether its sides can have met since.

    1 where they can, down to :data:`TOO_FAST` where they would have had to move faster than wood does.

    Parameters
    ----------
    before_mm, before_sd_mm
        Width of the opening at the visit before.
    pace_mm_per_day
        Width lost a day in this episode up to then.
    """
    if not before_mm:
        return 1.0
    left = before_mm - settings.closed_width_mm - max(USUAL_MM_PER_DAY, FASTER * pace_mm_per_day) * days
    can = 0.5 * math.erfc(left / ((before_sd_mm or 1.0) * _ROOT_2))
    return TOO_FAST + (1.0 - TOO_FAST) * can


def contradicts(
    closed: bool, callus: bool, width_mm: float | None, width_sd_mm: float | None, settings: TimeSettings
) -> bool:
    """Whether the stage and the opening of a visit do not go together.

    Parameters
    ----------
    closed, callus
        Whether the stage is closed or rebarked; whether it is callus or earlier.
    width_mm, width_sd_mm
        The opening, 0 where none was seen.

    Returns
    -------
    bool
        True for an opening beyond a seam (one-sided 95 %) at a closed wound, and for none at one not yet closing.
    """
    if width_mm is None:
        return False
    if closed:
        return width_mm - settings.closed_width_mm > 1.645 * (width_sd_mm or 1.0)
    return callus and width_mm <= 0


def _density(width: float, sd: float, low: float, high: float) -> float:
    """Density at ``width`` of a width uniform between two bounds, read with a normal error, given it is above 0."""
    inside = _normal_cdf((width - low) / sd) - _normal_cdf((width - high) / sd)
    below = sd * (_integral_of_cdf(-low / sd) - _integral_of_cdf(-high / sd))
    return max(0.0, inside) / max(high - low - below, 1e-12)


def _normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / _ROOT_2)


def _integral_of_cdf(z: float) -> float:
    """Integral of the standard normal distribution function up to ``z``."""
    return z * _normal_cdf(z) + math.exp(-0.5 * z * z) / _ROOT_TAU

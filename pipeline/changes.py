"""Change points in how a wound closes: its sides stopped, its pace changed, its opening was made larger.

Width and height are followed together as a linear motion over growing months, because what a photo errs in (the whole
rim seen too far out or in) moves both alike: against the slow ends the sides stand out far below the rim's own
uncertainty.  Each gap between two visits may hold a change; each is followed by a Kalman filter of its own from there
on (multiple models: Willsky & Jones 1976, IEEE Trans. Autom. Control 21:108), and all are weighed by a prior chance a
growing month (Shiryaev 1963, Theory Probab. Appl. 8:22).

What comes out is a probability, not a p-value: among sites called at probabilities of ``p`` and more, the expected
share of false calls is at most ``1 - p``, however many sites are looked at (direct posterior probability approach,
Newton et al. 2004, Biostatistics 5:155), as far as the model holds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from pipeline.advance import own_sd
from pipeline.lines import STANDARD_NORMAL
from pipeline.seasons import DAYS_A_MONTH, growing_days

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from pipeline.records import Visit

    Floats = NDArray[np.float64]


class ChangeKind(StrEnum):
    """What may change between two visits."""

    STOPPED = "sides stopped"
    PACE = "pace changed"
    OPENED = "opened"


KINDS = tuple(ChangeKind)
MOST_VISITS = 14
"""Visits that are followed, the last ones."""
SAME_RIM = 0.85
"""Share of the variance from the rim that width and height have in common: the whole rim, without its wander: about
what a rim uncertain by 0.25 mm as a whole and 0.15 mm in its wander gives (``measure``); own choice."""
TOLD_APART = 0.2
"""Width and height must differ by this share for the visit's scale to be told from its rim; own choice."""


@dataclass(frozen=True, slots=True)
class Prior:
    """What is expected before a site has shown anything; paces are of one side (end), mm a growing month.

    Attributes
    ----------
    pace, pace_sd
        Advance of a side.
    end_pace, end_pace_sd
        Of an end: slower than sides in trees, by up to four times (oriental beech; Tavankar, Picchio and co-workers).
    still_sd
        What still counts as standing: the pace after a stop is this near to 0.
    season_rel_sd
        By how much the pace of another year may differ, as a share.
    jump, jump_sd
        How much wider and higher an opening is after it was opened, mm.
    large_jump, large_jump_sd, large
        The same where much was taken out, and the share of openings that are such.
    stops, changes
        Chance a growing month of a stop, and of a new pace.
    openings
        Chance a visit that the opening was made larger since the one before.
    odd
        Chance that the sizes of a visit are misread altogether.
    """

    pace: float = 0.7
    pace_sd: float = 0.4
    end_pace: float = 0.25
    end_pace_sd: float = 0.28
    still_sd: float = 0.05
    season_rel_sd: float = 0.2
    jump: float = 5.0
    jump_sd: float = 3.0
    large_jump: float = 20.0
    large_jump_sd: float = 15.0
    large: float = 0.2
    stops: float = 0.03
    changes: float = 0.03
    openings: float = 0.01
    odd: float = 0.02


DEFAULT_PRIOR = Prior()
"""Own choice: the paces span published means, 6.4 to 24 mm of width a year (Tavankar et al. 2017), in seven months."""
OPENING_PRIOR = Prior(odd=0.002)
"""For the question whether an opening was made larger: sizes misread altogether are as good a reason to ask."""
_ODD_DENSITY = 1.0 / (30.0 * 30.0)
"""Misread sizes lie anywhere in a square of this many mm2."""


@dataclass(frozen=True, slots=True)
class Motion:
    """A wound's sizes as they are followed.

    Attributes
    ----------
    months
        Shape (N,), growing months, never falling, N of 3 or more.
    size_mm
        Shape (N, 2): width and height.
    covariance
        Shape (N, 2, 2): what is independent between visits.
    year
        Shape (N,).
    """

    months: Floats
    size_mm: Floats
    covariance: Floats
    year: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Change:
    """A kind of change, weighed.

    Attributes
    ----------
    p
        Probability that there was one, in any of the gaps looked at.
    gap
        Index of the visit before the likeliest gap.
    pace_before, pace_after
        Of a side, mm a growing month, as estimated on either side of that gap.
    jump_mm
        Growth of the width in that gap beyond what was expected.
    """

    kind: ChangeKind
    p: float
    gap: int
    pace_before: float
    pace_after: float
    jump_mm: float

    @property
    def log_odds(self) -> float:
        """Natural logarithm of the odds for it."""
        p = min(max(self.p, 1e-12), 1.0 - 1e-12)
        return math.log(p / (1.0 - p))


def motion_of(visits: Sequence[Visit], growing: tuple[int, ...]) -> Motion | None:
    """The last visits of an episode as a motion; ``None`` with fewer than three that are measured both ways.

    Parameters
    ----------
    visits
        Of one episode, in order, each with an opening.
    """
    seen = [v for v in visits if v.aperture_width_mm is not None and v.aperture_height_mm is not None][-MOST_VISITS:]
    if len(seen) < 3:
        return None
    begin = seen[0].visit_on
    own = np.array(
        [
            (
                own_sd(v.aperture_width_mm, v.aperture_width_mm_sd, 0.5 * v.area_common_rel_sd),
                own_sd(v.aperture_height_mm, v.aperture_height_mm_sd, 0.5 * v.area_common_rel_sd),
            )
            for v in seen
        ]
    )
    if not np.isfinite(own).all():
        return None
    size = np.array([(v.aperture_width_mm, v.aperture_height_mm) for v in seen], dtype=np.float64)
    return Motion(
        np.array([growing_days(begin, v.visit_on, growing) for v in seen]) / DAYS_A_MONTH,
        size,
        visit_covariance(size, own),
        np.array([v.visit_on.year for v in seen]),
    )


def visit_covariance(size_mm: Floats, own_sd_mm: Floats) -> Floats:
    """Covariance of width and height, shape (N, 2, 2), from what is independent between visits of either, (N, 2).

    Two things move both: the rim, alike whatever the size, and the visit's scale (focal length, lens), in proportion
    to it.  Their variances follow from the two uncertainties, ``s_w^2 = a + r w^2`` and ``s_h^2 = a + r h^2``; where
    width and height are nearly the same all of it counts as the rim's.
    """
    variance, square = own_sd_mm**2, size_mm**2
    apart = np.abs(square[:, 1] - square[:, 0]) > TOLD_APART * square.max(axis=1)
    between = np.where(apart, square[:, 1] - square[:, 0], 1.0)
    scale = np.where(apart, (variance[:, 1] - variance[:, 0]) / between, 0.0)
    scale = np.clip(scale, 0.0, (variance / np.maximum(square, 1e-9)).min(axis=1))
    rim = (variance - scale[:, None] * square).min(axis=1)
    covariance = np.zeros((len(size_mm), 2, 2))
    covariance[:, 0, 0], covariance[:, 1, 1] = variance[:, 0], variance[:, 1]
    covariance[:, 0, 1] = covariance[:, 1, 0] = SAME_RIM * rim + scale * size_mm.prod(axis=1)
    return covariance


def weigh(
    motion: Motion, kinds: Sequence[ChangeKind] = KINDS, prior: Prior = DEFAULT_PRIOR, floor: float = 0.0
) -> dict[ChangeKind, Change]:
    """Probability of each kind of change, against none of them.

    Parameters
    ----------
    kinds
        Those that are thought possible; each is weighed against no change and the other kinds.
    floor
        A side that goes on, but slower than this (mm a growing month), counts as stopped.

    Returns
    -------
    dict
        One entry a kind; ``p`` is 0 where there is no gap in which it could lie.
    """
    return weigh_many([motion], kinds, prior, floor)[0]


def weigh_many(
    motions: Sequence[Motion], kinds: Sequence[ChangeKind] = KINDS, prior: Prior = DEFAULT_PRIOR, floor: float = 0.0
) -> list[dict[ChangeKind, Change]]:
    """:func:`weigh` for many motions: those with the same number of visits are worked out at once."""
    found: dict[int, dict[ChangeKind, Change]] = {}
    for places, bank in _banks(motions, kinds, prior):
        found |= dict(zip(places, bank.changes(kinds, floor), strict=True))
    return [found[i] for i in range(len(motions))]


def opened_between(motions: Sequence[Motion], gaps: Sequence[int], prior: Prior = DEFAULT_PRIOR) -> list[float]:
    """Probability that an opening was made larger in one gap of each motion, from all of its visits.

    Weighed against no change and openings in other gaps, so that an earlier one is not told as a new one.

    Parameters
    ----------
    gaps
        Index of the visit before the gap, for each motion.
    """
    found = [0.0] * len(motions)
    for places, bank in _banks(motions, (ChangeKind.OPENED,), prior):
        shares, born = bank.shares(), np.array([-1, *(gap for _, gap in bank.born)])
        for row, place in enumerate(places):
            found[place] = float(shares[row, born == gaps[place]].sum())
    return found


def _banks(motions: Sequence[Motion], kinds: Sequence[ChangeKind], prior: Prior) -> Iterator[tuple[list[int], _Bank]]:
    """Filters that have followed the motions to their ends, those with the same number of visits together."""
    by_length: dict[int, list[int]] = {}
    for i, motion in enumerate(motions):
        by_length.setdefault(motion.months.size, []).append(i)
    for length, places in by_length.items():
        together = Motion(
            np.stack([motions[i].months for i in places]),
            np.stack([motions[i].size_mm for i in places]),
            np.stack([motions[i].covariance for i in places]),
            np.stack([motions[i].year for i in places]),
        )
        bank = _Bank(together, prior)
        for k in range(1, length):
            bank.step(k, kinds)
        yield places, bank


class _Bank:
    """Kalman filters over (width, height, their paces) of B sites: the first without a change, one a change and gap.

    ``mean`` is (B, K, 4), ``spread`` (B, K, 4, 4), ``weight`` (B, K); what the motions hold has B as its first axis.
    """

    def __init__(self, motion: Motion, prior: Prior) -> None:
        self.motion, self.prior = motion, prior
        self.born: list[tuple[ChangeKind, int]] = []
        self.pace_before: list[Floats] = []
        self.usual = np.array([2 * prior.pace, 2 * prior.end_pace])
        self.usual_spread = np.diag([4 * prior.pace_sd**2, 4 * prior.end_pace_sd**2])
        sites = motion.months.shape[0]
        self.mean = np.zeros((sites, 1, 4))
        self.mean[:, 0, :2], self.mean[:, 0, 2:] = motion.size_mm[:, 0], self.usual
        self.spread = np.zeros((sites, 1, 4, 4))
        self.spread[:, 0, :2, :2], self.spread[:, 0, 2:, 2:] = motion.covariance[:, 0], self.usual_spread
        self.weight = np.zeros((sites, 1))

    def step(self, k: int, kinds: Sequence[ChangeKind]) -> None:
        """Go on to visit ``k``: changes in the gap before it are born, all filters predict and take it in."""
        gap = self.motion.months[:, k] - self.motion.months[:, k - 1]
        left = np.ones_like(gap)
        means, spreads, weights = [], [], []
        for kind in kinds:
            chance = self._chance(kind, gap)
            left -= chance
            if (
                kind is ChangeKind.OPENED
            ):  # whoever opens a wound makes it larger: the jumps' densities have no other side
                chance = np.where(self._grew(k, gap), chance, 0.0)
            for share, large in self._ways(kind):
                mean, spread = self._born(kind, gap, large=large)
                means.append(mean)
                spreads.append(spread)
                with np.errstate(divide="ignore"):  # no growing time, no change: its weight is 0
                    weights.append(self.weight[:, 0] + np.log(share * chance))
                self.born.append((kind, k - 1))
                self.pace_before.append(0.5 * self.mean[:, 0, 2])
        self._go_on(gap[:, None], self.motion.year[:, k] != self.motion.year[:, k - 1])
        self.weight[:, 0] += np.log(left)
        self.mean = np.concatenate([self.mean, np.stack(means, axis=1)], axis=1)
        self.spread = np.concatenate([self.spread, np.stack(spreads, axis=1)], axis=1)
        self.weight = np.concatenate([self.weight, np.stack(weights, axis=1)], axis=1)
        self._take_in(k)

    def _ways(self, kind: ChangeKind) -> tuple[tuple[float, bool], ...]:
        """Shares of the ways in which a change of a kind may come, and whether it is the large one."""
        large = self.prior.large
        return ((1.0 - large, False), (large, True)) if kind is ChangeKind.OPENED and large > 0 else ((1.0, False),)

    def _grew(self, k: int, gap: Floats) -> NDArray[np.bool_]:
        """Whether width and height together are larger at visit ``k`` than expected without a change."""
        expected = self.mean[:, 0, :2] - gap[:, None] * self.mean[:, 0, 2:]
        return np.asarray((self.motion.size_mm[:, k] - expected).sum(axis=1) > 0)

    def _chance(self, kind: ChangeKind, gap: Floats) -> Floats:
        if kind is ChangeKind.OPENED:
            return np.full_like(gap, self.prior.openings)
        rate = self.prior.stops if kind is ChangeKind.STOPPED else self.prior.changes
        return -np.expm1(-rate * gap)

    def _go_on(self, gap: Floats, new_year: NDArray[np.bool_]) -> None:
        """Predict all filters; without a change the pace of another year may be another one."""
        other = self.prior.season_rel_sd * np.maximum(self.mean[:, 0, 2:], 0.4 * self.usual) * new_year[:, None]
        self.spread[:, 0, 2:, 2:] += other[:, :, None] * other[:, None, :]
        self.mean[:, :, :2] -= gap[..., None] * self.mean[:, :, 2:]
        g = gap[..., None, None]
        cross, pace = self.spread[:, :, :2, 2:].copy(), self.spread[:, :, 2:, 2:]
        self.spread[:, :, :2, :2] += g * g * pace - g * (cross + cross.swapaxes(-1, -2))
        self.spread[:, :, :2, 2:] -= g * pace
        self.spread[:, :, 2:, :2] = self.spread[:, :, :2, 2:].swapaxes(-1, -2)

    def _born(self, kind: ChangeKind, gap: Floats, *, large: bool) -> tuple[Floats, Floats]:
        """State at the end of the gap if the change lies in it; a new pace begins in it, half way on average."""
        opened, stopped = kind is ChangeKind.OPENED, kind is ChangeKind.STOPPED
        before = self.mean[:, 0]
        on = np.broadcast_to(np.eye(4), (gap.size, 4, 4)).copy()
        on[:, 0, 2] = on[:, 1, 3] = -(1.0 if opened else 0.5) * gap
        mean = (on @ before[..., None])[..., 0]
        spread = on @ self.spread[:, 0] @ on.swapaxes(-1, -2)
        if opened:
            jump, sd = (
                (self.prior.large_jump, self.prior.large_jump_sd) if large else (self.prior.jump, self.prior.jump_sd)
            )
            mean[:, :2] += jump
            spread[:, 2:, 2:] += self.usual_spread  # a fresh rim stands at first, and then has a pace of its own
            spread[:, :2, :2] += sd**2 * np.array([[1.0, 0.8], [0.8, 1.0]])
            return mean, spread
        pace = np.zeros(2) if stopped else self.usual
        about = 4 * self.prior.still_sd**2 * np.eye(2) if stopped else self.usual_spread
        half = 0.5 * gap[:, None, None]
        place = (gap[:, None] * (before[:, 2:] - pace)) ** 2 / 12.0
        spread[:, :2, :2] += place[..., None] * np.eye(2) + half * half * about
        spread[:, :2, 2:] = -half * about
        spread[:, 2:, :2] = spread[:, :2, 2:].swapaxes(-1, -2)
        spread[:, 2:, 2:] = about
        mean[:, :2] -= half[..., 0] * pace
        mean[:, 2:] = pace
        return mean, spread

    def _take_in(self, k: int) -> None:
        """Kalman's update with the sizes of visit ``k``, each filter with its own chance that they are misread."""
        noise, odd = self.motion.covariance[:, k], self.prior.odd
        off = self.motion.size_mm[:, k, None] - self.mean[:, :, :2]
        a = self.spread[:, :, 0, 0] + noise[:, None, 0, 0]
        b = self.spread[:, :, 0, 1] + noise[:, None, 0, 1]
        d = self.spread[:, :, 1, 1] + noise[:, None, 1, 1]
        determinant = a * d - b * b
        u, v = off[..., 0], off[..., 1]
        square = (d * u * u - 2.0 * b * u * v + a * v * v) / determinant
        log_density = math.log1p(-odd) - 0.5 * square - np.log(2.0 * math.pi * np.sqrt(determinant))
        if odd > 0:
            whole = np.logaddexp(log_density, math.log(odd * _ODD_DENSITY))
            trust = np.exp(log_density - whole)
        else:
            whole, trust = log_density, np.ones_like(log_density)
        self.weight += whole
        inverse = np.empty((*a.shape, 2, 2))
        scale = trust / determinant
        inverse[..., 0, 0], inverse[..., 1, 1] = scale * d, scale * a
        inverse[..., 0, 1] = inverse[..., 1, 0] = -scale * b
        gain = self.spread[..., :2] @ inverse
        self.mean += (gain @ off[..., None])[..., 0]
        self.spread -= gain @ self.spread[:, :, :2]

    def shares(self) -> Floats:
        """Posterior probability of each filter, shape (B, K)."""
        share = np.exp(self.weight - self.weight.max(axis=1, keepdims=True))
        return np.asarray(share / share.sum(axis=1, keepdims=True))

    def changes(self, kinds: Sequence[ChangeKind], floor: float) -> list[dict[ChangeKind, Change]]:
        """Posterior probability of each kind, and where it lies most likely, for each site."""
        share = self.shares()
        found = []
        for site in range(share.shape[0]):
            slow = 0.0
            if floor > 0:
                pace_sd = math.sqrt(max(float(self.spread[site, 0, 2, 2]), 1e-12))
                slow = STANDARD_NORMAL.cdf((2 * floor - float(self.mean[site, 0, 2])) / pace_sd)
            found.append({kind: self._change(kind, site, share[site], slow) for kind in kinds})
        return found

    def _change(self, kind: ChangeKind, site: int, share: Floats, slow: float) -> Change:
        rows = [i for i, (born, _) in enumerate(self.born, start=1) if born is kind]
        p = float(share[rows].sum())
        if kind is ChangeKind.STOPPED:
            p += float(share[0]) * slow
        best = max(rows, key=lambda i: float(share[i]))
        gap, size = self.born[best - 1][1], self.motion.size_mm[site]
        before = float(self.pace_before[best - 1][site])
        months = self.motion.months[site]
        jump = float(size[gap + 1, 0] - size[gap, 0]) + 2 * before * float(months[gap + 1] - months[gap])
        return Change(kind, min(p, 1.0), gap, before, 0.5 * float(self.mean[site, best, 2]), jump)

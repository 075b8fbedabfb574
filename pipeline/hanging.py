"""How a site's card hangs, and every visit's scale, from all its visits together: the bark is the same in each.

The card keeps its hanging (tilt, roll, yaw, standoff), but for a little sway, and the trunk its girth; each photo has
its own pose.  A wrong
hanging moves the bark one way in a photo from above and another way in a photo from below.  So the maps that lay
the patches of two visits over each other (:mod:`pipeline.registration`) tell the hanging, and errors of single poses.

This is a bundle adjustment with prior knowledge: unknown are the hanging and the girth (shared by all visits), focal
length and lens (shared by the photos of one phone), and pose (each photo's own).  Known are the corners in every
photo, the prior uncertainties that a single photo works with, and the bark that photos share.  Gauss-Newton on the sum
of squares gives the estimate and, as its inverse normal matrix, the covariance (least squares with prior information;
GUM, JCGM 100:2008, propagates it).  Where photos look from the same side the prior remains.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from typing import TYPE_CHECKING

import numpy as np

from pipeline import ruler, trunk
from pipeline.records import BarkScale

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from pipeline.records import SurfaceFix

POSE = tuple(ruler.STEPS)[:6]
PHONE = ("focal length", "lens")
SITE = ("girth", "card tilt", "card roll", "card yaw", "standoff")
SWAY = ("card tilt", "card roll", "card yaw", "standoff")
SWAY_SD = (0.005, 0.009, 0.009, 0.2)
"""How far a card hangs differently from visit to visit (wind, a knock): radians and mm; an estimate."""
FIXED = (*SITE, *PHONE, *POSE, *SWAY)
SWING_SD = (3.0, 3.0, 0.03, 0.003, 0.001, 0.001)
"""What a loose card on its nail and a growing trunk may do between visits: mm, mm, radians, stretch round the trunk;
and what a whole patch may be stretched along the trunk and sheared by light on relief, which no number of blocks
averages out (judged on drawn photos of 12 MP)."""
EACH = len(POSE) + len(SWAY) + len(SWING_SD)
"""Unknowns that each photo has of its own."""
ROUNDS = 12
SMALL_STEP = 0.3
"""Share of every unknown's standard uncertainty below which a step of Gauss-Newton is the last."""
LARGEST_ANGLE = 0.95
"""Radians round the trunk beyond which bark is too close to the horizon to be compared."""
NO_CYLINDER_SD = (0.004, 0.003, 0.003)
"""What is left of area, width and height because no trunk is a cylinder: an estimate, shared by all photos."""
OWN_SD = (0.0012, 0.0008, 0.0008)
"""What a photo adds of its own (a region's mean scale stands for its outline's, light on relief): judged on 40 pairs of
drawn visits of 20 sites, of which 5 were called changed by the true rim with less."""
FAR = 2.5
"""A place that misses by more than this many standard deviations counts less: it may be other bark that looks alike."""
LARGEST_MISS = 3.0
"""A map that misses what the other knowledge gives by more than this many standard uncertainties is left out."""


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One photo of the site: its geometry as fitted alone, the phone, and where its opening lies."""

    fix: SurfaceFix
    phone: str
    at_mm: tuple[float, float]
    size_mm: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Link:
    """Bark that two photos share: places (N, 2) in their own site frames, and the uncertainty (N,) of a coordinate."""

    earlier: int
    later: int
    places_earlier: NDArray[np.float64]
    places_later: NDArray[np.float64]
    sd_mm: NDArray[np.float64]


def estimate(views: Sequence[View], links: Sequence[Link]) -> tuple[BarkScale, ...]:
    """What each photo's sizes have to be multiplied with, and how certain they then are.

    Parameters
    ----------
    views
        Photos of one site.
    links
        Bark that pairs of them share; a photo that no link ties to another keeps its own reading.

    Returns
    -------
    tuple of BarkScale
        One for each view, in order.
    """
    return solve(views, links).scales()


def solve(views: Sequence[View], links: Sequence[Link]) -> Solution:
    """The same as :func:`estimate`, with all that it found: scales, and where places read off a photo really are."""
    problem = _Problem(views, links)
    values, covariance = _least_squares(problem)
    # whether a map is wrong shows only when all others have had their say: far from the solution good ones miss too
    while (worst := problem.worst(values)) is not None:
        del problem.links[worst]
        values, covariance = _least_squares(problem)
    return Solution(problem, values, covariance)


def _least_squares(problem: _Problem) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Unknowns and their covariance, by Gauss-Newton from what each photo says alone."""
    values = np.zeros(problem.size)
    for _ in range(ROUNDS):
        normal, right = problem.normal_equations(values)
        covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
        step = covariance @ right
        values = values + step
        if np.all(np.abs(step) < SMALL_STEP * np.sqrt(np.diag(covariance))):
            break
    return values, covariance


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """What all photos of a site together say of the hanging, the poses, and so of places on the bark."""

    problem: _Problem
    values: NDArray[np.float64]
    covariance: NDArray[np.float64]

    def scales(self) -> tuple[BarkScale, ...]:
        """Scale of each photo, in order."""
        return self.problem.scales(self.values, self.covariance)

    def on_bark(self, number: int, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Places (N, 2) read off a photo in the frame that all photos of the site share, in mm.

        No swing of the card and no growth of the trunk moves it; ``nan`` near the trunk's horizon.
        """
        return self.problem.places(number, places, self.values)[0]

    def parting(self, earlier: int, later: int, at: NDArray[np.float64]) -> NDArray[np.float64]:
        """How what is not known parts places (N, 2) seen in two photos, shape (N, 2, unknowns).

        The covariance of the differences is this times :attr:`covariance` times its transpose.
        """
        rates = np.zeros((len(at), 2, self.problem.size))
        rates[..., self.problem.columns(later)] += self.problem.places(later, at, self.values)[1]
        rates[..., self.problem.columns(earlier)] -= self.problem.places(earlier, at, self.values)[1]
        return np.nan_to_num(rates)


def _rates(fix: SurfaceFix, at: NDArray[np.float64]) -> NDArray[np.float64]:
    """How fast the places (N, 2) that fixed picture points show move with each input, shape (N, 2, inputs)."""
    s, y = at.T
    seen = trunk.bark_in_picture(fix, s, y)
    moves = {
        name: (trunk.bark_in_picture(ruler.moved(fix, name, ruler.STEPS[name]), s, y) - seen) / ruler.STEPS[name]
        for name in (*SITE, *PHONE, *POSE)
    }
    shifts = np.stack([moves[name] for name in FIXED], axis=-1)
    h = 0.01
    ends = trunk.bark_in_picture(fix, np.stack([s + h, s - h, s, s]), np.stack([y, y, y + h, y - h]))
    slopes = np.stack([ends[0] - ends[1], ends[2] - ends[3]], axis=-1) / (2 * h)
    slopes[~np.isfinite(slopes).all(axis=(1, 2))] = np.eye(2)
    return np.asarray(-np.linalg.solve(slopes, shifts))


def _spread(misses: NDArray[np.float64]) -> float:
    """Standard deviation of misses as the median tells it: a third of wrong places do not move it far."""
    return 1.4826 * float(np.median(np.abs(misses))) if misses.size else 0.0


def _huber(misses: NDArray[np.float64], spread: float) -> NDArray[np.float64]:
    """Weight of each coordinate of places (x and y in turn): less for places that miss by far (Huber 1964)."""
    size = np.hypot(*misses.reshape(-1, 2).T)
    return np.repeat(np.minimum(1.0, FAR * spread / np.maximum(size, 1e-12)), 2)


class _Problem:
    """Where each unknown stands, and how photos and shared bark depend on it."""

    def __init__(self, views: Sequence[View], links: Sequence[Link]) -> None:
        self.views = views
        self.phones = sorted({view.phone for view in views})
        self.size = len(SITE) + len(PHONE) * len(self.phones) + EACH * len(views)
        self.prior_sd = np.full(self.size, np.inf)
        for number, view in enumerate(views):
            columns = self.columns(number)
            known = dict(zip(ruler.SOURCES, ruler.input_sds(view.fix), strict=True))
            for name, column in zip(FIXED, columns, strict=False):
                if name in known:
                    self.prior_sd[column] = min(self.prior_sd[column], max(known[name], 1e-9))
            self.prior_sd[columns[len(FIXED) - len(SWAY) :]] = (*SWAY_SD, *SWING_SD)
        self.links = [usable for link in links if (usable := self._on_bark(link)) is not None]

    def columns(self, number: int) -> list[int]:
        """Unknowns of one photo: of the site, of its phone, its pose, its sway, its swing."""
        phone = len(SITE) + len(PHONE) * self.phones.index(self.views[number].phone)
        own = len(SITE) + len(PHONE) * len(self.phones) + EACH * number
        return [*range(len(SITE)), *range(phone, phone + len(PHONE)), *range(own, own + EACH)]

    def _on_bark(self, link: Link) -> Link | None:
        """The link without places near the horizon."""
        arcs = np.abs([link.places_earlier[:, 0], link.places_later[:, 0]])
        radii = np.array([[self.views[link.earlier].fix.radius_mm], [self.views[link.later].fix.radius_mm]])
        kept = (arcs < LARGEST_ANGLE * radii).all(axis=0)
        if kept.sum() < 3:
            return None
        return Link(link.earlier, link.later, link.places_earlier[kept], link.places_later[kept], link.sd_mm[kept])

    def places(
        self, number: int, places: NDArray[np.float64], values: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Where on the bark the places (N, 2) read off a photo really are, and the rates (N, 2, its unknowns).

        The frame is one that no swing of the card and no growth moves.
        """
        own, columns = self.views[number].fix, self.columns(number)
        now = reduce(lambda fix, step: ruler.moved(fix, *step), zip(FIXED, values[columns].tolist(), strict=False), own)
        seen = trunk.bark_in_picture(own, places[:, 0], places[:, 1])
        at = trunk.bark_of_picture(now, seen)
        x, y = (at - np.array(self.views[0].at_mm)).T
        one, none = np.ones_like(x), np.zeros_like(x)
        swing = np.array([[one, none, -y, x, none, y], [none, one, x, none, y, none]]).transpose(2, 0, 1)
        rates = np.concatenate([_rates(now, at), swing], axis=-1)
        return at + swing @ values[columns[len(FIXED) :]], rates

    def _corners(self, number: int, values: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """How far the corners have left the places at which they were seen, in standard uncertainties, and rates."""
        own, columns = self.views[number].fix, self.columns(number)
        now = reduce(lambda fix, step: ruler.moved(fix, *step), zip(FIXED, values[columns].tolist(), strict=False), own)

        def seen(fix: SurfaceFix) -> NDArray[np.float64]:
            return ruler.corner_points(fix, own.corners_mm).reshape(-1) / own.corner_sd_px

        at = seen(now)
        rates = np.zeros((at.size, len(columns)))
        for k, name in enumerate(FIXED):
            if name not in SITE:
                rates[:, k] = (seen(ruler.moved(now, name, ruler.STEPS[name])) - at) / ruler.STEPS[name]
        return at - seen(own), rates

    def normal_equations(self, values: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Matrix and right side of the step from ``values`` towards the least sum of squares."""
        weight = 1 / self.prior_sd**2
        normal, right = np.diag(weight), -weight * values
        for number in range(len(self.views)):
            miss, rates = self._corners(number, values)
            columns = self.columns(number)
            normal[np.ix_(columns, columns)] += rates.T @ rates
            right[columns] -= rates.T @ miss
        for columns, miss, rates in self._misses(values):
            # shared bark never fits perfectly (relief, growth): what it misses widens its uncertainty (Birge ratio)
            birge = max(1.0, _spread(miss))
            pull = (rates * (_huber(miss, birge) / birge**2)[:, None]).T
            normal[np.ix_(columns, columns)] += pull @ rates
            right[columns] -= pull @ miss
        return normal, right

    def worst(self, values: NDArray[np.float64]) -> int | None:
        """Which link misses what all else says by most, if by more than :data:`LARGEST_MISS`."""
        misses = [_spread(miss) for _, miss, _ in self._misses(values)]
        found = int(np.argmax(misses)) if misses else 0
        return found if misses and misses[found] >= LARGEST_MISS else None

    def _misses(
        self, values: NDArray[np.float64]
    ) -> Iterator[tuple[list[int], NDArray[np.float64], NDArray[np.float64]]]:
        """For each link its unknowns, how far apart two photos put the same bark (over its uncertainty), the rates."""
        places = [
            np.concatenate(
                [np.zeros((0, 2))]
                + [link.places_earlier for link in self.links if link.earlier == number]
                + [link.places_later for link in self.links if link.later == number]
            )
            for number in range(len(self.views))
        ]
        known = [self.places(number, own, values) for number, own in enumerate(places)]
        used = [0] * len(self.views)
        parts: dict[tuple[int, bool], tuple[NDArray[np.float64], NDArray[np.float64]]] = {}
        for later in (False, True):
            for k, link in enumerate(self.links):
                number, count = (link.later if later else link.earlier), len(link.sd_mm)
                part = slice(used[number], used[number] + count)
                parts[k, later] = known[number][0][part], known[number][1][part]
                used[number] += count
        for k, link in enumerate(self.links):
            (first, first_rates), (second, second_rates) = parts[k, False], parts[k, True]
            ours, theirs = self.columns(link.later), self.columns(link.earlier)
            columns = sorted({*ours, *theirs})
            rates = np.zeros((*first.shape, len(columns)))
            rates[..., np.searchsorted(columns, ours)] += second_rates
            rates[..., np.searchsorted(columns, theirs)] -= first_rates
            sd = link.sd_mm[:, None]
            # a place that a trial value moves behind the horizon says nothing in that round
            seen = np.isfinite(first + second).all(axis=1) & np.isfinite(rates).all(axis=(1, 2))
            yield (
                columns,
                ((second - first) / sd)[seen].ravel(),
                (rates / sd[..., None])[seen].reshape(-1, len(columns)),
            )

    def scales(self, values: NDArray[np.float64], covariance: NDArray[np.float64]) -> tuple[BarkScale, ...]:
        """Factors of area, width and height of every photo with their uncertainties."""
        factors, rates, spreads = zip(
            *(self._factors(number, values) for number in range(len(self.views))), strict=True
        )
        together = np.stack(rates)  # photo, size, unknown
        sds, common = np.zeros((2, len(factors), 3))
        for k in range(3):
            shared = together[:, k] @ covariance @ together[:, k].T
            total = np.diag(shared)
            change = total[:, None] + total[None, :] - 2 * shared
            # own parts of two photos together stand for the change between them: here half its mean over the others
            own = np.minimum(change.sum(axis=1) / max(len(factors) - 1, 1) / 2, total)
            photo = np.square(spreads)[:, k] + OWN_SD[k] ** 2
            sds[:, k] = np.sqrt(total + photo + NO_CYLINDER_SD[k] ** 2)
            common[:, k] = np.sqrt(total - own + NO_CYLINDER_SD[k] ** 2)
        return tuple(
            BarkScale(*(float(v) for v in (*factor, *sd, *shared[:2])))
            for factor, sd, shared in zip(factors, sds, common, strict=True)
        )

    def _factors(
        self, number: int, values: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Factors (3,), their rates (3, unknowns) as shares, and their spread over the region.

        The longest chord may lie anywhere in the region, so the spread is part of its uncertainty.
        """
        view = self.views[number]
        s, y = ruler.region_grid(view.fix, view.at_mm, view.size_mm)
        still = values.copy()
        still[self.columns(number)[len(FIXED) :]] = 0.0  # the swing moves the frame, not the bark
        flat, flat_rates = self.places(number, np.column_stack([s.ravel(), y.ravel()]), still)
        at = flat.reshape(*s.shape, 2)
        rates = np.zeros((*s.shape, 2, self.size))
        rates[..., self.columns(number)[: len(FIXED)]] = flat_rates[..., : len(FIXED)].reshape(*s.shape, 2, -1)
        across = s[:, -1] - s[:, 0], y[-1, :] - y[0, :]
        width, height = (at[:, -1, 0] - at[:, 0, 0]) / across[0], (at[-1, :, 1] - at[0, :, 1]) / across[1]
        width_rates = (rates[:, -1, 0] - rates[:, 0, 0]) / across[0][:, None]
        height_rates = (rates[-1, :, 1] - rates[0, :, 1]) / across[1][:, None]
        weights = ruler.BOOLE
        area = (weights @ width) * (weights @ height)
        area_rates = weights @ width_rates / (weights @ width) + weights @ height_rates / (weights @ height)
        return (
            np.array([area, weights @ width, weights @ height]),
            np.stack([area_rates, weights @ width_rates, weights @ height_rates]),
            np.array([0.0, width.std(), height.std()]),
        )

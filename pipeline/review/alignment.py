"""Visits laid over each other by the bark: the place of an earlier photo in the frame of the one that is judged.

A card may hang anew, tilt or turn between two visits; the bark stays.  The pieces of bark that a run found in both
photos (``pipeline.registration``) give an affine map between their site frames, in mm.  Photos that were not compared
with each other are joined over those that were.  Where nothing joins them, the card alone says where they lie.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline import cache, ties

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from pipeline.records import Comparison, Reading, Window
    from pipeline.review.desk import Desk

    Matrix = NDArray[np.float64]

LEAST_PLACES = 5
"""Pieces of bark below which a map of six numbers is not trusted."""
LARGEST_CHANGE = 0.3
"""Share by which a believable map stretches or turns."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """Where an earlier photo lies in the frame of another.

    Attributes
    ----------
    matrix
        Rows (a, b, tx), (c, d, ty): x' = a x + b y + tx, y' = c x + d y + ty, in mm with y up.
    same_place
        The lowest score along the way.
    """

    matrix: tuple[tuple[float, float, float], tuple[float, float, float]]
    same_place: float

    @property
    def svg(self) -> str:
        """The same for SVG, whose y counts downwards: ``matrix(A B C D E F)``."""
        (a, b, tx), (c, d, ty) = self.matrix
        return "matrix(" + " ".join(f"{value:.6g}" for value in (a, -c, -b, d, tx, -ty)) + ")"

    def of_window(self, window: Window) -> Window:
        """The rectangle that holds a window as it lies now."""
        from pipeline.records import Window as Rectangle

        corners = np.array([(x, y, 1.0) for x in (window.left_mm, window.right_mm)
                            for y in (window.bottom_mm, window.top_mm)])  # fmt: skip
        x, y = (corners @ np.array(self.matrix).T).T
        return Rectangle(float(x.min()), float(x.max()), float(y.min()), float(y.max()))


def affine_of(comparison: Comparison) -> Matrix | None:
    """Map from the later photo's frame to the earlier's, shape (2, 3), by weighted least squares.

    ``None`` where too few pieces of bark are shared, they lie in a line, or the map is not believable.
    """
    places = np.asarray(comparison.places, dtype=np.float64).reshape(-1, 5)
    if len(places) < LEAST_PLACES:
        return None
    weight = 1 / np.maximum(places[:, 4:], 1e-3)
    rows = np.column_stack((places[:, 2:4], np.ones(len(places)))) * weight
    solution, _, rank, _ = np.linalg.lstsq(rows, places[:, :2] * weight, rcond=1e-6)
    if rank < 3:
        return None
    matrix = np.asarray(solution.T, dtype=np.float64)
    return matrix if np.abs(matrix[:, :2] - np.eye(2)).max() <= LARGEST_CHANGE else None


def _inverse(matrix: Matrix) -> Matrix:
    back = np.linalg.inv(matrix[:, :2])
    return np.column_stack((back, -back @ matrix[:, 2]))


def _after(second: Matrix, first: Matrix) -> Matrix:
    return np.column_stack((second[:, :2] @ first[:, :2], second[:, :2] @ first[:, 2] + second[:, 2]))


def along_bark(found: Iterable[Comparison], start: str, goal: str, least: float) -> Alignment | None:
    """Map from one photo's frame to another's over as few comparisons as possible; ``None`` where none leads there.

    Parameters
    ----------
    found
        Comparisons of photos of one site.
    start, goal
        Hashes.
    least
        Score below which two photos are not taken for the same place (``alerts.same_place_score``).
    """
    steps: dict[str, list[tuple[str, Matrix, float]]] = {}
    for comparison in found:
        score = comparison.same_place
        matrix = affine_of(comparison) if score is not None and score >= least else None
        if matrix is not None and score is not None:
            steps.setdefault(comparison.later, []).append((comparison.earlier, matrix, score))
            steps.setdefault(comparison.earlier, []).append((comparison.later, _inverse(matrix), score))
    waiting: deque[tuple[str, Matrix, float]] = deque([(start, np.eye(2, 3), 1.0)])
    seen = {start}
    while waiting:
        at, matrix, score = waiting.popleft()
        if at == goal:
            (a, b, tx), (c, d, ty) = matrix.tolist()
            return Alignment(((a, b, tx), (c, d, ty)), score)
        for other, step, own in steps.get(at, ()):
            if other not in seen:
                seen.add(other)
                waiting.append((other, _after(step, matrix), min(score, own)))
    return None


def align(desk: Desk, readings: Sequence[Reading], then: str, now: str, *, look: bool = False) -> Alignment | None:
    """Where one photo of a site lies in the frame of another; ``None``: as the card says.

    Parameters
    ----------
    readings
        Of the site.
    look
        Compare the two patches now where no run has joined them (some tenths of a second).
    """
    least = desk.settings.alerts.same_place_score
    known = list(desk.store.comparisons_among([reading.sha256 for reading in readings]))
    found = along_bark(known, then, now, least)
    if found is not None or not look:
        return found
    by_hash = {reading.sha256: reading for reading in readings}
    first, second = (cache.load_patch(desk.grove.cache, sha256) for sha256 in (then, now))
    if first is None or second is None or not (first.has_scale and second.has_scale):
        return None
    return along_bark([*known, ties.compare(first, by_hash[then], second, by_hash[now])], then, now, least)

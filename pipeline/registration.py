"""Two patches of one site laid over each other by the bark around the wound.

Bark is fixed to the trunk; card, camera and light are not.  Blocks of the earlier patch's bark are looked for in
the later one near the place that the card gives them, an affine map is fitted to those that agree, and the share
that agrees says whether it is the same place at all.  Scale errors of the two photos (camera distance, pose, the
card's tilt) show up in the map and can be taken off the change between them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.records import Registration, SitePatch, Window

if TYPE_CHECKING:
    from pipeline.records import Floats, Mask

BLOCK_MM = 16.0
SEARCHES = ((0.9, 12.0, 12.0), (0.45, 2.5, 10.0))
"""Pixel, reach and spacing of blocks, in mm: first against the card's frame, then against the first search's map."""
NEAR_MM = 45.0
"""Standard deviation of the weight by which blocks near the wound count more: the map should be right there."""
AGREE_MM = 1.2
EVEN_MM = 5.0
"""Standard deviation of the blur that takes away slow light and colour."""
LEAST_BLOCKS = 12
LEAST_BARK, LEAST_TEXTURE = 0.7, 0.25
"""Share of a block that must be bark in both patches, and the deviation of its evened texture."""
FULL_STRENGTH = 0.7
"""Root of the correlation that a block of the same bark reaches in good light."""
NOT_AFFINE_SD = 0.005
"""Standard uncertainty of an area scale because pose errors bend the map; measured on rendered pairs of visits."""
CELL_MM = 25.0
"""Blocks are kept as means over cells of this size."""
CELL_SD_MM = 0.1
"""Error that the blocks of a cell have in common (light on relief, resampling): measured on rendered pairs."""
BLOCK_OVERLAP = 2.5
"""Blocks of 16 mm every 10 mm: each piece of bark is seen in this many."""
LARGEST_STRETCH = 0.25
LARGEST_TURN_RAD = 0.3


def register(
    earlier: SitePatch,
    later: SitePatch,
    not_bark_earlier: Mask | None = None,
    not_bark_later: Mask | None = None,
) -> Registration:
    """Lay a later patch over an earlier one of the same site.

    Parameters
    ----------
    earlier, later
        Patches with a scale, in the site frames of their own cards.
    not_bark_earlier, not_bark_later
        Shapes of the patches, True where the wound, its new tissue or anything that changes is; left out.

    Returns
    -------
    Registration
        ``same_place`` is 0 where no map fits; the map is then the identity.
    """
    window = _common(earlier.window, later.window)
    if window is None:
        return _nothing(0)
    matrix = np.eye(2, 3)
    total, share = 0, 1.0
    step: NDArray[np.float64] | None = None
    middle = _middle_of_wound(earlier, not_bark_earlier, window)
    for mm, reach, spacing in SEARCHES:
        first, first_bark = _evened(earlier, not_bark_earlier, window, mm, np.eye(2, 3))
        second, second_bark = _evened(later, not_bark_later, window, mm, matrix)
        places, found, strengths = _matched(first, first_bark, second, second_bark, window, mm, reach, spacing)
        total = len(places)
        # the blocks found lie in the frame of the later patch as mapped so far
        step, agreeing = (
            _affine(found, places, middle) if total >= LEAST_BLOCKS else (None, np.zeros(total, dtype=bool))
        )
        if step is None:
            return _nothing(total)
        before, matrix = matrix, _after(step, matrix)
        # other bark agrees by chance, more so in the second, narrow search: the worse of the two shares counts
        share = min(share, float(agreeing.mean()))
    if step is None or not _believable(matrix):
        return _nothing(total)
    # back from the frame in which the second search looked to the later patch's own
    own = (found - before[:, 2]) @ np.linalg.inv(before[:, :2]).T
    left_over = (found @ step[:, :2].T + step[:, 2] - places)[agreeing]
    scatter = float(np.sqrt((left_over**2).sum(axis=1).mean() / 2))
    strength = max(float(np.median(strengths[agreeing])), 0.0) ** 0.5
    # area scale of an affine fit: two independent slopes, each the scatter over the spread of the places
    spread = max(float(places[agreeing].std(axis=0).mean()), 1.0)
    at, seen, sd = cells(places[agreeing], own[agreeing])
    return Registration(
        matrix=matrix,
        same_place=min(share * strength / FULL_STRENGTH, 1.0),
        blocks=total,
        agreeing=int(agreeing.sum()),
        scatter_mm=scatter,
        area_scale_sd=float(np.hypot(scatter * np.sqrt(2 / agreeing.sum()) / spread, NOT_AFFINE_SD)),
        places_earlier=at,
        places_later=seen,
        # as far as a block may miss and still count as agreeing, so much less sure is what its cell says
        places_sd_mm=sd * _leeway(at, middle),
    )


def cells(
    places: Floats, found: Floats, overlap: float = BLOCK_OVERLAP
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Blocks averaged over cells of ``CELL_MM``: places in both frames, shapes (K, 2), and uncertainties (K,).

    Parameters
    ----------
    places, found
        Shape (N, 2): blocks in the earlier patch, and the same bark in the later patch's own frame.
    overlap
        How many blocks show the same bark: so many fewer are independent.
    """
    _, cell, counts = np.unique(np.floor(places / CELL_MM), axis=0, return_inverse=True, return_counts=True)
    cell = cell.ravel()

    def means(points: Floats) -> NDArray[np.float64]:
        return np.column_stack([np.bincount(cell, points[:, k]) for k in (0, 1)]) / counts[:, None]

    design = np.column_stack([found, np.ones(len(found))])
    left = places - design @ np.linalg.lstsq(design, places, rcond=None)[0]
    # the scatter within cells: what bends the map as a whole is no error of a cell's mean
    freedom = 2 * (len(places) - len(counts))
    scatter = np.sqrt(((left - means(left)[cell]) ** 2).sum() / freedom) if freedom > 0 else AGREE_MM
    kept = counts >= 2
    sd = np.hypot(scatter * np.sqrt(max(overlap, 1.0) / counts[kept]), CELL_SD_MM)
    return means(places)[kept], means(found)[kept], sd


def _nothing(blocks: int) -> Registration:
    return Registration(np.eye(2, 3), 0.0, blocks, 0, float("inf"), float("inf"))


def _middle_of_wound(patch: SitePatch, not_bark: Mask | None, window: Window) -> NDArray[np.float64]:
    """Centre of what is not bark, in mm; of the window where there is nothing."""
    if not_bark is None or not (not_bark & patch.valid).any():
        return np.array([(window.left_mm + window.right_mm) / 2, (window.bottom_mm + window.top_mm) / 2])
    rows, columns = np.nonzero(not_bark & patch.valid)
    return np.array(
        [
            patch.left_mm + (columns.mean() + 0.5) * patch.mm_per_px,
            patch.top_mm - (rows.mean() + 0.5) * patch.mm_per_px,
        ]
    )


def _common(a: Window, b: Window) -> Window | None:
    left, right = max(a.left_mm, b.left_mm), min(a.right_mm, b.right_mm)
    bottom, top = max(a.bottom_mm, b.bottom_mm), min(a.top_mm, b.top_mm)
    return Window(left, right, bottom, top) if right - left > 2 * BLOCK_MM and top - bottom > 2 * BLOCK_MM else None


def _evened(
    patch: SitePatch, not_bark: Mask | None, window: Window, mm: float, to_common: NDArray[np.float64]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Bark texture of a patch on a grid of the common frame, light and contrast evened out, and where it is bark."""
    columns, rows = round(window.width_mm / mm), round(window.height_mm / mm)
    # grid pixel -> common mm -> the patch's own mm -> patch pixel
    grid_to_mm = np.array([[mm, 0, window.left_mm + mm / 2], [0, -mm, window.top_mm - mm / 2], [0, 0, 1]])
    own_to_px = np.array(
        [
            [1 / patch.mm_per_px, 0, -patch.left_mm / patch.mm_per_px - 0.5],
            [0, -1 / patch.mm_per_px, patch.top_mm / patch.mm_per_px - 0.5],
            [0, 0, 1],
        ]
    )
    back = np.linalg.inv(np.vstack([to_common, [0, 0, 1]]))
    lookup = (own_to_px @ back @ grid_to_mm)[:2]
    usable = patch.valid if not_bark is None else patch.valid & ~not_bark
    grey = cv2.cvtColor(patch.rgb, cv2.COLOR_RGB2GRAY).astype(np.float32)
    sigma = mm / patch.mm_per_px / 2.5
    if sigma > 0.4:
        grey = cv2.GaussianBlur(grey, (0, 0), sigma)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    grey = cv2.warpAffine(grey, lookup, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    bark = cv2.warpAffine(usable.astype(np.float32), lookup, (columns, rows), flags=flags)
    bark = (bark > 0.99).astype(np.float32)
    weight = cv2.GaussianBlur(bark, (0, 0), EVEN_MM / mm) + 1e-3
    mean = cv2.GaussianBlur(grey * bark, (0, 0), EVEN_MM / mm) / weight
    rest = (grey - mean) * bark
    spread = np.sqrt(cv2.GaussianBlur(rest * rest, (0, 0), EVEN_MM / mm) / weight)
    return np.clip(rest / (spread + 1.5), -3, 3).astype(np.float32) * bark, bark


def _matched(
    first: NDArray[np.float32],
    first_bark: NDArray[np.float32],
    second: NDArray[np.float32],
    second_bark: NDArray[np.float32],
    window: Window,
    mm: float,
    reach_mm: float,
    spacing_mm: float,
) -> tuple[Floats, Floats, Floats]:
    """Places of blocks in the first grid and where the second shows them, mm, shapes (N, 2); correlations (N,)."""
    size, step, reach = round(BLOCK_MM / mm), round(spacing_mm / mm), round(reach_mm / mm)
    padded = cv2.copyMakeBorder(second, reach, reach, reach, reach, cv2.BORDER_CONSTANT, value=0.0)
    places, found, strengths = [], [], []
    rows, columns = first.shape
    both = first_bark * second_bark
    # cv2's own counts and deviations: numpy's cost several times the matching on views as small as a block
    for top in range(0, rows - size + 1, step):
        for left in range(0, columns - size + 1, step):
            block = first[top : top + size, left : left + size]
            shown = cv2.countNonZero(both[top : top + size, left : left + size])
            if shown < LEAST_BARK * size**2 or cv2.meanStdDev(block)[1][0, 0] < LEAST_TEXTURE:
                continue
            area = padded[top : top + size + 2 * reach, left : left + size + 2 * reach]
            score = cv2.matchTemplate(area, block, cv2.TM_CCORR_NORMED)
            _, best, _, (x, y) = cv2.minMaxLoc(score)
            dx = dy = 0.0
            if 0 < x < score.shape[1] - 1 and 0 < y < score.shape[0] - 1:
                dx = _peak(*score[y, x - 1 : x + 2].tolist())
                dy = _peak(*score[y - 1 : y + 2, x].tolist())
            middle = np.array([left + (size - 1) / 2, top + (size - 1) / 2])
            shift = np.array([x + dx - reach, y + dy - reach])
            places.append(middle)
            found.append(middle + shift)
            strengths.append(best)
    to_mm = np.array([mm, -mm])
    origin = np.array([window.left_mm + mm / 2, window.top_mm - mm / 2])
    at = np.array(places).reshape(-1, 2) * to_mm + origin
    seen = np.array(found).reshape(-1, 2) * to_mm + origin
    return at, seen, np.array(strengths)


def _peak(before: float, at: float, after: float) -> float:
    """Place of a parabola's top through three neighbours, -0.5 to 0.5."""
    bend = before - 2 * at + after
    return min(max(0.5 * (before - after) / bend, -0.5), 0.5) if bend < 0 else 0.0


def _affine(points: Floats, wanted: Floats, middle: Floats) -> tuple[NDArray[np.float64] | None, Mask]:
    """Affine map that takes most of ``points`` to ``wanted``, and which it takes there within ``AGREE_MM``."""
    matrix, inside = cv2.estimateAffine2D(
        points, wanted, method=cv2.RANSAC, ransacReprojThreshold=AGREE_MM, maxIters=3000, confidence=0.999
    )
    if matrix is None:
        return None, np.zeros(len(points), dtype=bool)
    agreeing = inside.ravel().astype(bool)
    design = np.column_stack([points, np.ones(len(points))])
    weight = np.exp(-((wanted - middle) ** 2).sum(axis=1) / (4 * NEAR_MM**2))[:, None]
    solution = matrix.T
    for _ in range(3):
        if agreeing.sum() < LEAST_BLOCKS / 2:
            return None, agreeing
        solution = np.linalg.lstsq((weight * design)[agreeing], (weight * wanted)[agreeing], rcond=None)[0]
        # far from the wound the bark may leave the map's plane a little and still be the same bark
        agreeing = np.hypot(*(design @ solution - wanted).T) < AGREE_MM * _leeway(wanted, middle)
    return solution.T, agreeing


def _leeway(places: Floats, middle: Floats) -> NDArray[np.float64]:
    """How many times farther than near the wound a block may miss, shape (N,)."""
    grown: NDArray[np.float64] = np.exp(((places - middle) ** 2).sum(axis=1) / (8 * NEAR_MM**2))
    return grown


def _after(second: NDArray[np.float64], first: NDArray[np.float64]) -> NDArray[np.float64]:
    """The map that does ``first``, then ``second``."""
    both: NDArray[np.float64] = (np.vstack([second, [0, 0, 1]]) @ np.vstack([first, [0, 0, 1]]))[:2]
    return both


def _believable(matrix: NDArray[np.float64]) -> bool:
    stretches = np.linalg.svd(matrix[:, :2])[1]
    turn = abs(np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1]))
    return bool(np.all(np.abs(stretches - 1) < LARGEST_STRETCH) and turn < LARGEST_TURN_RAD)

"""A reader without training: colour, shape and place, with scale known in mm.

It is the baseline that a trained network has to beat.  How it looks:

1. **Bark is what lies around.**  The colours near the patch's border make the patch's own bark model (a
   density over CIELAB); what is unlike it, near the middle and coloured as wood, resin, hollow or callus can be,
   is the wound.  Two rounds of the same with the wound's own colours sharpen it.
2. **Rim or face.**  Inside the wound a pale outer band round a darker core is new tissue round an aperture;
   one colour throughout is an aperture, or, where it is much like the bark, a closed wound.
3. **Stage** from what was measured: colour of the core, share and width of new tissue, contrast.
4. **Signs** from colour, shape and distance to the wound.  Darkened, resin-soaked wood is wanted and ants are
   expected: neither is a sign.  Green or white on the outer bark away from the wound counts as moss, algae, lichen.

Every threshold is a judgement about how these things look in daylight and was set by eye on drawn and real
pictures, not fitted; probabilities are soft and never reach 0 or 1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import cv2
import numpy as np

from pipeline.records import Sign, SiteMaps, Stage, Tissue

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.records import SitePatch

    Layer = NDArray[np.float32]

READER = "classical 1"
_WORK_PX = 192
"""Longer edge at which the wound is looked for; only the rim is followed at full size."""
_BINS = 24
_LOW = np.array([0.0, -32.0, -24.0])
_STEP = np.array([100.0, 96.0, 96.0]) / _BINS
"""The colour density: 24 steps each of L* 0 to 100, a* -32 to 64, b* -24 to 72."""

# CIELAB middles and spreads of what a wound can show in daylight: estimates, no source.
_WOOD = (
    ((84.0, 2.0, 22.0), (7.0, 4.0, 7.0)),  # fresh, white
    ((70.0, 7.0, 27.0), (9.0, 4.0, 7.0)),
    ((48.0, 14.0, 27.0), (10.0, 5.0, 8.0)),  # browned
    ((30.0, 14.0, 16.0), (9.0, 5.0, 7.0)),  # reddish dark
    ((15.0, 7.0, 8.0), (7.0, 5.0, 6.0)),  # resin
    ((5.0, 2.0, 3.0), (5.0, 3.0, 4.0)),  # hollow
)
_NEW_TISSUE = (
    ((80.0, 1.0, 27.0), (7.0, 4.0, 7.0)),
    ((68.0, 6.0, 24.0), (8.0, 4.0, 6.0)),
    ((55.0, 8.0, 18.0), (8.0, 4.0, 6.0)),
)


class _View(NamedTuple):
    """The patch at working size."""

    lab: Layer
    cell: NDArray[np.int32]
    shaded: NDArray[np.int32]
    """Colour cells of the picture, and of the same under a third of the light (shadow of the rim)."""
    valid: NDArray[np.bool_]
    mm: float
    near: Layer
    """1 where a wound is expected, falling to 0 at the border."""


class _Wound(NamedTuple):
    """Where the wound is, at working size: probability, hard region, and how plainly it stands out."""

    p: Layer
    region: NDArray[np.bool_]
    contrast: float
    area_mm2: float
    solidity: float
    bark: Layer
    """Density of the bark's colours."""
    beside: NDArray[np.float64]
    """Median CIELAB of the bark just outside."""


class _Parts(NamedTuple):
    """The wound divided: share of aperture inside it, and what the division was made from."""

    face: Layer
    plain: bool
    """Whether no band of new tissue was found round the face."""
    open_p: float
    """Probability that what looks like the face is open at all."""
    core_lab: NDArray[np.float64]
    face_share: float
    face_mm2: float
    band_mm: float


def read(patch: SitePatch) -> SiteMaps:
    """Look at a patch and say what it shows, softly.

    Parameters
    ----------
    patch
        Any size; 384 px and 40 to 400 mm is what it was made for.
    """
    view = _view(patch)
    wound = _find_wound(view)
    parts = _divide(view, wound)
    if parts.plain and parts.open_p > 0.5 and wound.area_mm2 > 50.0:
        region = _onto_edges(wound.region, view)
        wound = wound._replace(region=region, p=_blur(region.astype(np.float32), 0.7))
        parts = parts._replace(face=region.astype(np.float32), face_mm2=float(np.count_nonzero(region)) * view.mm**2)
    stage_p = _stage(wound, parts)
    seen = float(_logistic(0.22 * (wound.contrast - 14.0)) * _logistic(8.0 * (wound.solidity - 0.62)))
    not_a_site_p = float(np.clip(0.75 - 0.7 * seen, 0.03, 0.9))
    signs, sign_p, lookalike_p = _signs(view, wound, parts)
    # Where no wound is made out, a sign of one is less likely too.
    sign_p = np.clip(sign_p * (1 - 0.6 * not_a_site_p), 0.02, 0.93)
    resin = _smooth_step(parts.core_lab[0], 40.0, 18.0) * _smooth_step(parts.face_mm2, 10.0, 60.0)
    return SiteMaps(
        tissue=_tissue_map(patch, view, wound, parts),
        signs=_planes([_full_size(layer, patch.valid.shape) for layer in signs]),
        stage_p=stage_p,
        sign_p=sign_p,
        not_a_site_p=not_a_site_p,
        reader=READER,
        resin_p=float(np.clip(resin, 0.03, 0.9)),
        lookalike_p=lookalike_p,
    )


# ---------------------------------------------------------------- the patch


def _view(patch: SitePatch) -> _View:
    height, width = patch.valid.shape
    factor = min(1.0, _WORK_PX / max(height, width))
    size = (max(round(width * factor), 8), max(round(height * factor), 8))
    rgb = cv2.resize(patch.rgb, size, interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(rgb.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    # A third of the light is 0.62 of the sRGB value: 3 ** (-1 / 2.3), near enough to the standard's curve.
    shaded = cv2.convertScaleAbs(rgb, alpha=0.62)
    valid = cv2.resize(patch.valid.astype(np.uint8), size, interpolation=cv2.INTER_AREA) > 0
    mm = patch.mm_per_px * width / size[0]
    # The site hangs below its card: a little above the middle of the window, near the card's centre line.
    x = (np.arange(size[0]) + 0.5) / size[0] - 0.5
    y = (np.arange(size[1]) + 0.5) / size[1] - 0.42
    near = np.exp(-0.5 * ((x[None, :] / 0.20) ** 2 + (y[:, None] / 0.26) ** 2)).astype(np.float32)
    return _View(lab, _cells(rgb), _cells(shaded), valid, mm, near)


def _steps(axis: int) -> NDArray[np.int32]:
    """Step of each 8-bit Lab level (OpenCV: L* 255 / 100, a* and b* + 128) on one axis of the density."""
    level = np.arange(256) * (100 / 255) if axis == 0 else np.arange(256) - 128.0
    step = np.clip((level - _LOW[axis]) / _STEP[axis], 0, _BINS - 1).astype(np.int32)
    return np.asarray(step * _BINS ** (2 - axis), dtype=np.int32)


_L_STEPS, _A_STEPS, _B_STEPS = _steps(0), _steps(1), _steps(2)


def _cells(rgb: NDArray[np.uint8]) -> NDArray[np.int32]:
    light, a, b = cv2.split(cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB))
    return np.asarray(_L_STEPS[light] + _A_STEPS[a] + _B_STEPS[b], dtype=np.int32)


def _mixture(parts: tuple[tuple[tuple[float, float, float], tuple[float, float, float]], ...]) -> Layer:
    """Density of a mixture of Gaussians on the cells, summing to 1."""
    axes = [_LOW[k] + (np.arange(_BINS) + 0.5) * _STEP[k] for k in range(3)]
    total = np.zeros((_BINS,) * 3)
    for middle, spread in parts:
        one = [np.exp(-0.5 * ((axes[k] - middle[k]) / spread[k]) ** 2) for k in range(3)]
        product = one[0][:, None, None] * one[1][:, None] * one[2]
        total += product / product.sum()
    return np.asarray(total.ravel() / total.sum(), dtype=np.float32)


_WOOD_DENSITY = _mixture(_WOOD)
_WOUND_DENSITY = 0.7 * _WOOD_DENSITY + 0.3 * _mixture(_NEW_TISSUE)
_BLEEDING_DENSITY = _mixture(
    (((38.0, 14.0, 15.0), (8.0, 5.0, 6.0)), ((28.0, 10.0, 10.0), (8.0, 4.0, 5.0)), ((16.0, 5.0, 5.0), (7.0, 3.0, 4.0)))
)
_FLOOR = 0.02 / _BINS**3
"""Part of every density that allows any colour."""


_WIDE, _NARROW, _ONE = (np.array(k, dtype=np.float32) / sum(k) for k in ((1, 4, 6, 4, 1), (1, 2, 1), (1,)))


def _density(cell: NDArray[np.int32], weight: Layer) -> Layer:
    """Smoothed share of each colour among the pixels, by weight."""
    counts = np.bincount(cell.ravel(), weight.ravel(), _BINS**3).astype(np.float32)
    # L* and a* as rows and columns with b* as channels, then b* as columns.
    cube = counts.reshape((_BINS,) * 3)
    cube = cv2.sepFilter2D(cube, -1, _NARROW, _WIDE, borderType=cv2.BORDER_CONSTANT)
    flat = cv2.sepFilter2D(cube.reshape(-1, _BINS), -1, _NARROW, _ONE, borderType=cv2.BORDER_CONSTANT)
    total = float(flat.sum())
    return np.asarray(flat.ravel() / total if total > 0 else flat.ravel(), dtype=np.float32)


# ---------------------------------------------------------------- the wound


def _find_wound(view: _View) -> _Wound:
    shown = view.valid.astype(np.float32)
    bark = _density(view.cell, shown * (1 - view.near) ** 2)
    own = _WOUND_DENSITY
    region = np.zeros(shown.shape, np.bool_)
    p = np.zeros(shown.shape, np.float32)
    for turn in range(3):
        odds = np.log((own + _FLOOR) / (bark + _FLOOR))
        p = _logistic(_blur(np.clip(odds, -4, 4)[view.cell], 0.6 / view.mm) + 2.4 * view.near - 1.6)
        p *= shown
        region = _main_region(p, view)
        if turn == 2 or not region.any():
            break
        inner = cv2.erode(region.astype(np.uint8), _disk(1.0 / view.mm)).astype(np.float32)
        outer = 1 - cv2.dilate(region.astype(np.uint8), _disk(4.0 / view.mm)).astype(np.float32)
        if inner.sum() < 12:
            inner = region.astype(np.float32)
        own = np.asarray(
            0.6 * _density(view.cell, inner) + 0.2 * _density(view.shaded, inner) + 0.2 * _WOUND_DENSITY,
            dtype=np.float32,
        )
        bark = _density(view.cell, shown * outer * (1.2 - view.near))
    return _described(p, region, bark, view)


def _main_region(p: Layer, view: _View) -> NDArray[np.bool_]:
    """The likeliest connected region, and others close to it; holes are filled, thin tails (runs of resin) cut off."""
    solid = cv2.morphologyEx((p > 0.5).astype(np.uint8), cv2.MORPH_OPEN, _disk(0.8 / view.mm))
    solid = cv2.morphologyEx(solid, cv2.MORPH_CLOSE, _disk(1.5 / view.mm))
    stout = cv2.morphologyEx(solid, cv2.MORPH_OPEN, _disk(2.2 / view.mm))
    count, labels = cv2.connectedComponents(solid, connectivity=4)
    if count < 2:
        return np.zeros(p.shape, np.bool_)
    weight = np.bincount(
        labels.ravel(), ((p - 0.4) * view.near * (0.35 + stout + 2.0 * (view.lab[..., 0] < 13))).ravel(), count
    )
    weight[0] = 0
    main = int(weight.argmax())
    around = cv2.dilate((labels == main).astype(np.uint8), _disk(8.0 / view.mm)) > 0
    kept = np.zeros(count, np.bool_)
    kept[np.unique(labels[around])] = True
    kept &= weight > 0.15 * weight[main]
    kept[0] = False
    region = kept[labels]
    if float(view.near[region].mean()) < 0.12:
        # Nothing near the place of the site; what stands out at the border is something else.
        return np.zeros(p.shape, np.bool_)
    body = region & (cv2.dilate(stout, _disk(0.8 / view.mm)) > 0)
    if np.count_nonzero(body) > 0.3 * np.count_nonzero(region):
        region = body
    return _filled(region)


def _filled(region: NDArray[np.bool_]) -> NDArray[np.bool_]:
    outside = np.pad((~region).astype(np.uint8), 1, constant_values=1)
    _, labels = cv2.connectedComponents(outside, connectivity=4)
    return np.asarray(labels[1:-1, 1:-1] != labels[0, 0])


_SECTORS = 16


def _onto_edges(region: NDArray[np.bool_], view: _View) -> NDArray[np.bool_]:
    """Move the outline, in each of sixteen directions, out to a strong edge within a few millimetres.

    For an open wound without new tissue: its face is surrounded by the shadow and the cut edge of the bark, which
    are dark as bark is, and the rim is the outermost of the strong edges.
    """
    soft = cv2.GaussianBlur(view.lab, (0, 0), 0.8)
    slope = sum(
        np.hypot(cv2.Sobel(soft[..., k], cv2.CV_32F, 1, 0), cv2.Sobel(soft[..., k], cv2.CV_32F, 0, 1)) for k in range(3)
    )
    outward = cv2.distanceTransform((~region).astype(np.uint8), cv2.DIST_L2, 5)
    inward = cv2.distanceTransform(np.pad(region.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    distance = outward - inward
    reach, fall = 4.0 / view.mm, 5.0 / view.mm
    near = (distance > -1.5) & (distance < reach)
    rows, cols = np.nonzero(near)
    middle_row, middle_col = (axis.mean() for axis in np.nonzero(region))
    turn = (np.arctan2(rows - middle_row, cols - middle_col) / (2 * np.pi) + 0.5) * _SECTORS
    sector = np.minimum(turn.astype(np.int64), _SECTORS - 1)
    step = np.floor(distance[near] + 1.5).astype(np.int64)
    steps = int(step.max()) + 1
    cell = sector * steps + step
    pixels = np.bincount(cell, minlength=_SECTORS * steps)
    strength = np.bincount(cell, slope[near], _SECTORS * steps) / np.maximum(pixels, 1)
    offset = np.arange(steps) - 1.0
    score = strength.reshape(_SECTORS, steps) * np.exp(-((offset / fall) ** 2))
    score = (np.roll(score, 1, axis=0) + 2 * score + np.roll(score, -1, axis=0)) / 4
    strong = score >= 0.8 * score.max(axis=1, keepdims=True)
    best = offset[steps - 1 - strong[:, ::-1].argmax(axis=1)]
    best = np.median([np.roll(best, 1), best, np.roll(best, -1)], axis=0)
    place = np.arange(_SECTORS) + 0.5
    limit = np.interp(turn, place, best, period=_SECTORS)
    moved = region & (distance <= -1.5)
    moved[near] = distance[near] <= limit
    return _filled(moved) if moved.any() else region


def _described(p: Layer, region: NDArray[np.bool_], bark: Layer, view: _View) -> _Wound:
    area = float(np.count_nonzero(region)) * view.mm**2
    if area < 4.0:
        return _Wound(p * 0.3, np.zeros_like(region), 0.0, 0.0, 0.0, bark, np.zeros(3))
    wide = cv2.dilate(region.astype(np.uint8), _disk(6.0 / view.mm)) > 0
    gap = cv2.dilate(region.astype(np.uint8), _disk(1.5 / view.mm)) > 0
    around = wide & ~gap & view.valid
    contrast, beside = 0.0, np.zeros(3)
    if around.any():
        inside = view.lab[region]
        # The part that differs most counts: a closing wound is mostly bark-like, its opening is not.
        beside = np.median(view.lab[around], axis=0).astype(np.float64)
        contrast = float(np.percentile(np.sqrt((((inside - beside) * (0.7, 1.3, 1.0)) ** 2).sum(axis=1)), 60))
    contours, _ = cv2.findContours(region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = np.zeros(region.shape, np.uint8)
    cv2.fillConvexPoly(hull, cv2.convexHull(np.concatenate(contours)), 1)
    solidity = float(np.count_nonzero(region)) / float(np.count_nonzero(hull))
    spread = cv2.GaussianBlur(region.astype(np.float32), (0, 0), 0.7)
    return _Wound(np.asarray(spread, dtype=np.float32), region, contrast, area, solidity, bark, beside)


# ---------------------------------------------------------------- its parts


def _divide(view: _View, wound: _Wound) -> _Parts:
    """Tell the aperture from the new tissue round it."""
    region = wound.region
    if not region.any():
        return _Parts(np.zeros(region.shape, np.float32), True, 0.0, np.array([50.0, 5.0, 15.0]), 0.0, 0.0, 0.0)
    depth = cv2.distanceTransform(np.pad(region.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    deepest = float(depth.max())
    soft = cv2.GaussianBlur(view.lab, (0, 0), max(0.5 / view.mm, 0.5))
    band = region & (depth > min(0.6 / view.mm, 0.2 * deepest)) & (depth <= max(0.3 * deepest, 1.5))
    core = region & (depth > 0.55 * deepest)
    band_lab = np.median(soft[band if band.any() else region], axis=0).astype(np.float64)
    core_lab = np.median(soft[core], axis=0).astype(np.float64)
    # A rim much darker than the bark is shadow or cut bark, not new tissue.
    rolled = band_lab[0] > wound.beside[0] - 9.0
    face = _face(soft, region, depth, band_lab, core_lab, view) if rolled else None
    open_p = 0.95
    plain = face is None
    if face is None:
        face = region.astype(np.float32)
        open_p = _looks_open(wound, core_lab, _grain(view.lab[..., 0], region))
    inside = face * region
    face_px = float(inside.sum())
    share = face_px / float(np.count_nonzero(region))
    core_lab = (soft * inside[..., None]).sum(axis=(0, 1), dtype=np.float64) / max(face_px, 1e-6)
    perimeter = 2 * np.sqrt(np.pi * max(face_px, 1.0)) * view.mm
    band_mm2 = (1 - share) * wound.area_mm2
    band_mm = float(np.sqrt(perimeter**2 + 4 * np.pi * band_mm2) - perimeter) / (2 * np.pi)
    return _Parts(face, plain, open_p, core_lab, share, face_px * view.mm**2, band_mm)


def _face(
    soft: Layer,
    region: NDArray[np.bool_],
    depth: Layer,
    band_lab: NDArray[np.float64],
    core_lab: NDArray[np.float64],
    view: _View,
) -> Layer | None:
    """Probability of face inside the wound, where a paler band goes all round it; else ``None``.

    New tissue is paler than what it surrounds; where the band is the darker one it is the shadow or the cut
    edge of the bark, and the whole wound is face.
    """
    dark_spot = float(np.percentile(soft[..., 0][region], 4))
    small_spot = np.linalg.norm(core_lab - band_lab) < 9.0 or core_lab[0] > band_lab[0] - 5.0
    if small_spot:
        # A small dark opening in a wide roll: the core's median is still new tissue.  A seam is not that dark.
        if band_lab[0] - dark_spot < 22.0 or dark_spot > 0.45 * band_lab[0]:
            return None
        core_lab = np.median(soft[region & (soft[..., 0] < dark_spot + 6.0)], axis=0).astype(np.float64)
    way = (core_lab - band_lab) * (0.8, 1.0, 1.0)
    scaled = (way * (0.8, 1.0, 1.0) / float(way @ way)).astype(np.float32)
    t = (soft - band_lab.astype(np.float32)) @ scaled
    core = (t > 0.5) & region
    middle = region & (depth > 0.6 * float(depth.max()))
    if not _goes_round(core, region, depth, view) or (not small_spot and float(core[middle].mean()) < 0.6):
        return None
    solid = cv2.morphologyEx(core.astype(np.uint8), cv2.MORPH_OPEN, _disk(0.7 / view.mm))
    if not solid.any():
        return None
    filled = _hull(solid) & region
    face = _logistic(9.0 * (t - 0.5))
    return np.where(filled, np.maximum(face, 0.9), np.minimum(face, 0.4)).astype(np.float32)


def _goes_round(core: NDArray[np.bool_], region: NDArray[np.bool_], depth: Layer, view: _View) -> bool:
    """Whether the outermost millimetre is band in at least seven of eight directions; streaks of wood are not."""
    rows, cols = np.nonzero(region & (depth <= max(1.3 / view.mm, 1.5)))
    middle_row, middle_col = (axis.mean() for axis in np.nonzero(region))
    eighth = ((np.arctan2(rows - middle_row, cols - middle_col) / np.pi + 1) * 3.999).astype(np.int64)
    pixels = np.maximum(np.bincount(eighth, minlength=8), 1)
    share = np.bincount(eighth, core[rows, cols], 8) / pixels
    return int(np.count_nonzero(share < 0.5)) >= 7


def _hull(solid: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Each part filled to its convex hull where that adds little, else only its holes: openings are nearly convex."""
    out = _filled(solid > 0)
    contours, _ = cv2.findContours(solid, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = np.zeros_like(solid)
    cv2.fillConvexPoly(hull, cv2.convexHull(np.concatenate(contours)), 1)
    if np.count_nonzero(hull) < 1.8 * np.count_nonzero(out):
        return hull > 0
    return out


def _grain(lightness: Layer, region: NDArray[np.bool_]) -> float:
    """How much faster lightness changes across the trunk than along it: wood's fibres run along."""
    inner = cv2.erode(region.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    if np.count_nonzero(inner) < 20:
        return 1.0
    across = np.abs(cv2.Sobel(lightness, cv2.CV_32F, 1, 0))[inner].mean()
    along = np.abs(cv2.Sobel(lightness, cv2.CV_32F, 0, 1))[inner].mean()
    return float(across / (along + 1e-3))


def _looks_open(wound: _Wound, lab: NDArray[np.float64], grain: float) -> float:
    """Probability that a wound of one colour is open wood and not new tissue."""
    wood = 0.09 * (wound.contrast - 20.0) + 1.2 * (grain - 1.3)
    dark = 0.06 * (45.0 - lab[0])
    return float(np.clip(_logistic(np.float64(wood + max(dark, 0.0))), 0.05, 0.95))


# ---------------------------------------------------------------- stage


def _stage(wound: _Wound, parts: _Parts) -> NDArray[np.float64]:
    """Probabilities of the stages from shares and colours; the order of the weights follows the visible tests."""
    there = _smooth_step(wound.area_mm2, 8.0, 40.0) * _smooth_step(wound.contrast, 4.0, 14.0)
    opened = parts.open_p * _smooth_step(parts.face_mm2, 3.0, 12.0)
    rolled = _smooth_step(parts.band_mm, 0.5, 1.6) * _smooth_step(1 - parts.face_share, 0.08, 0.22)
    small = _smooth_step(parts.face_share, 0.68, 0.45)
    # Wood goes from yellow to red as it browns; in deep shade its colour says nothing.
    light, a, b = parts.core_lab
    pale = _smooth_step(float(np.degrees(np.arctan2(b, a))), 70.0, 79.0) * _smooth_step(light, 30.0, 48.0)
    weights = np.zeros(len(Stage))
    weights[Stage.FRESH] = opened * (1 - rolled) * pale
    weights[Stage.RESINOUS] = opened * (1 - rolled) * (1 - pale)
    weights[Stage.CALLUS] = opened * rolled * (1 - small)
    weights[Stage.CLOSING] = opened * rolled * small
    weights[Stage.CLOSED] = (1 - opened) * there
    weights[Stage.REBARKED] = 0.8 * (1 - there)
    weights = weights + 0.03
    return np.asarray(weights / weights.sum())


# ---------------------------------------------------------------- signs


def _signs(view: _View, wound: _Wound, parts: _Parts) -> tuple[Layer, NDArray[np.float64], float]:
    """Maps and probabilities of the signs, and the probability that look-alikes are there."""
    lab = cv2.GaussianBlur(view.lab, (0, 0), max(0.7 / view.mm, 0.5))
    bark = (
        np.median(lab[view.valid & ~wound.region], axis=0) if (view.valid & ~wound.region).any() else lab.mean((0, 1))
    )
    light, a, b = lab[..., 0], lab[..., 1], lab[..., 2]
    if wound.region.any():
        away = cv2.distanceTransform((~wound.region).astype(np.uint8), cv2.DIST_L2, 3) * view.mm
    else:
        away = np.full(light.shape, 40.0, np.float32)
    close = _logistic((14.0 - away) / 4.0) * view.valid
    green = (
        _logistic(0.9 * (-(a - min(float(bark[1]), 4.0)) - 7.0))
        * _logistic(0.8 * (-a - 2.0))
        * _logistic(0.4 * (light - 18.0))
    )
    chroma = np.hypot(a, b)
    white = _logistic(0.35 * (light - max(74.0, float(bark[0]) + 16.0))) * _logistic(0.6 * (13.0 - chroma))
    odds = np.log((_BLEEDING_DENSITY + _FLOOR) / (wound.bark + _FLOOR))
    # Against the bark round about, so that the shaded side of the trunk is not dark all over.
    dark = _logistic(0.4 * (cv2.blur(light, (round(40.0 / view.mm) | 1,) * 2) - 8.0 - light)) * _logistic(
        1.0 + _blur(np.clip(odds, -4, 4)[view.cell], 1.2 / view.mm)
    )
    maps = np.zeros((len(Sign), *light.shape), np.float32)
    order = {sign: k for k, sign in enumerate(Sign)}
    maps[order[Sign.GREEN_FILM]] = green * close
    maps[order[Sign.WHITE_MYCELIUM]] = white * close
    maps[order[Sign.CONK]] = _shelves(lab, view) * _logistic((25.0 - away) / 5.0)
    maps[order[Sign.DARK_BLEEDING]] = (
        _streaks(dark, wound, view) * _logistic((45.0 - away) / 6.0) * _logistic(30.0 * (view.near - 0.12))
    )
    maps[order[Sign.SUNKEN_BARK]] = _sunken(lab, bark, wound, view, away)
    mm2 = (maps * (maps > 0.4)).sum(axis=(1, 2)) * view.mm**2
    halfway = np.array([60.0, 60.0, 150.0, 140.0, 260.0])
    sign_p = np.clip(_logistic(2.2 * np.log((mm2 + 4.0) / halfway)), 0.02, 0.93).astype(np.float64)
    elsewhere = float(((green + white) * (1 - close))[view.valid].mean()) if view.valid.any() else 0.0
    lookalike_p = float(np.clip(_logistic(np.float64(2.0 * np.log((elsewhere + 0.002) / 0.06))), 0.03, 0.95))
    return maps, sign_p, lookalike_p


def _shelves(lab: Layer, view: _View) -> Layer:
    """Conk: a pale margin with a dark shadow right below it, over a width of a centimetre and more."""
    light = lab[..., 0]
    width = max(round(9.0 / view.mm), 3) | 1
    level = cv2.blur(light, (width, max(round(1.5 / view.mm), 1)))
    below, above = _moved(level, -4.5 / view.mm), _moved(level, 9.0 / view.mm)
    # The body above the margin is darker than the margin too; the upper edge of a window has plain bark there.
    edge = (
        _logistic(0.3 * (level - below - 20.0))
        * _logistic(0.3 * (level - above - 14.0))
        * _logistic(0.3 * (level - 55.0))
    )
    wide = np.ones((1, max(round(8.0 / view.mm), 3)), np.uint8)
    edge = cv2.morphologyEx(edge, cv2.MORPH_OPEN, wide)
    up = max(round(9.0 / view.mm), 1)
    return np.asarray(cv2.dilate(edge, np.ones((up, 3), np.uint8), anchor=(1, 0)), dtype=np.float32)


def _moved(layer: Layer, rows: float) -> Layer:
    """The layer moved down (positive) or up, its border row repeated."""
    index = np.clip(np.arange(layer.shape[0]) - round(rows), 0, layer.shape[0] - 1)
    return layer[index]


def _streaks(dark: Layer, wound: _Wound, view: _View) -> Layer:
    """Dark bleeding: a dark, wide, upright stain on the bark; thin runs of resin are not."""
    covered = cv2.dilate(wound.region.astype(np.uint8), _disk(2.0 / view.mm)) > 0
    outside = np.where(covered, 0, dark).astype(np.float32)
    hard = (cv2.morphologyEx(outside, cv2.MORPH_OPEN, _disk(1.8 / view.mm)) > 0.4).astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(hard, connectivity=8)
    tall = stats[:, cv2.CC_STAT_HEIGHT] * view.mm
    wide = np.maximum(stats[:, cv2.CC_STAT_AREA] * view.mm**2 / np.maximum(tall, 1.0), 0.5)
    # A run of resin is a few millimetres wide; a stain is wider, and longer than wide.
    shape = _logistic((tall - 12.0) / 3.0) * _logistic(2.0 * (tall / wide - 1.8)) * _logistic(2.5 * (wide - 4.6))
    shape[0] = 0
    body = cv2.dilate(shape.astype(np.float32)[labels], _disk(1.0 / view.mm))
    return np.asarray(np.sqrt(outside) * body, dtype=np.float32)


def _sunken(lab: Layer, bark: NDArray[np.float32], wound: _Wound, view: _View, away: Layer) -> Layer:
    """Sunken bark: a broad duller and darker patch of bark by the wound; faint, so never more than a doubt."""
    broad = cv2.blur(lab, (round(12.0 / view.mm) | 1,) * 2)
    duller = _logistic(0.5 * (float(bark[0]) - 9.0 - broad[..., 0])) * _logistic(
        0.4 * (broad[..., 1] - float(bark[1]) + 1.0)
    )
    beside = (away > 2.0) & (away < 30.0)
    return np.asarray(0.6 * duller * beside * (wound.area_mm2 > 0), dtype=np.float32)


# ---------------------------------------------------------------- maps


def _tissue_map(patch: SitePatch, view: _View, wound: _Wound, parts: _Parts) -> Layer:
    """Tissue at full size; the rims follow the edges of the picture."""
    shape = patch.valid.shape
    trust = 0.55 + 0.42 * float(_smooth_step(wound.contrast, 6.0, 18.0))
    whole = np.clip(wound.p * trust, 0, 0.97).astype(np.float32)
    face = np.clip(wound.p * parts.face * parts.open_p, 0, 0.97).astype(np.float32)
    face, whole = _full_size(face, shape), _full_size(whole, shape)
    if wound.region.any():
        box = _box_round(whole > 0.02, 5.0 / patch.mm_per_px)
        guide = cv2.cvtColor(np.ascontiguousarray(patch.rgb[box]), cv2.COLOR_RGB2GRAY).astype(np.float32)
        face[box] = _follow_edges(face[box], guide, 1.6 / patch.mm_per_px)
        whole[box] = np.maximum(_follow_edges(whole[box], guide, 1.6 / patch.mm_per_px), face[box])
    planes = np.empty((len(Tissue), *shape), np.float32)
    shown = patch.valid.astype(np.float32)
    rest = 1 - whole
    planes[Tissue.APERTURE] = face * shown
    planes[Tissue.NEW_TISSUE] = (whole - face) * shown
    planes[Tissue.FOREIGN] = 0.01 * rest * shown
    planes[Tissue.BACKGROUND] = 1 - shown + 0.01 * rest * shown
    planes[Tissue.BARK] = 0.98 * rest * shown
    return np.moveaxis(planes, 0, -1)


def _box_round(mask: NDArray[np.bool_], margin_px: float) -> tuple[slice, slice]:
    left, top, width, height = cv2.boundingRect(mask.astype(np.uint8))
    margin = round(margin_px) if width else 0
    return slice(max(top - margin, 0), top + height + margin), slice(max(left - margin, 0), left + width + margin)


def _follow_edges(p: Layer, guide: Layer, radius_px: float) -> Layer:
    """Guided filter (He, Sun & Tang 2013): where the picture has an edge near the rim, the rim moves onto it."""
    side = 2 * max(round(radius_px), 1) + 1
    box = (side, side)
    mean_g, mean_p = cv2.blur(guide, box), cv2.blur(p, box)
    slope = (cv2.blur(guide * p, box) - mean_g * mean_p) / (cv2.blur(guide * guide, box) - mean_g * mean_g + 40.0)
    offset = mean_p - slope * mean_g
    return np.asarray(np.clip(cv2.blur(slope, box) * guide + cv2.blur(offset, box), 0, 1), dtype=np.float32)


def _planes(layers: list[Layer]) -> Layer:
    """Shape (H, W, N) over contiguous planes, which is how the maps are used."""
    return np.moveaxis(np.stack(layers), 0, -1)


def _full_size(layers: Layer, shape: tuple[int, int]) -> Layer:
    return np.asarray(cv2.resize(layers, shape[::-1], interpolation=cv2.INTER_LINEAR), dtype=np.float32)


# ---------------------------------------------------------------- small functions


def _logistic(x: NDArray[np.floating] | np.floating | float) -> Layer:
    return np.asarray(1 / (1 + np.exp(-np.clip(x, -30, 30))), dtype=np.float32)


def _smooth_step(x: float, lo: float, hi: float) -> float:
    t = float(np.clip((x - lo) / (hi - lo), 0, 1))
    return t * t * (3 - 2 * t)


def _blur(layer: Layer, sigma_px: float) -> Layer:
    return np.asarray(cv2.GaussianBlur(layer.astype(np.float32), (0, 0), max(sigma_px, 0.4)), dtype=np.float32)


def _disk(radius_px: float) -> NDArray[np.uint8]:
    side = 2 * max(round(radius_px), 1) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), dtype=np.uint8)

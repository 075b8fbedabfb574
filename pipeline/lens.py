"""What the cards in many photos of one lens say about it: focal length and first radial coefficient.

A phone states its focal length to a percent or two, and nothing of what its lens does to straight lines.  The site
cards are calibration targets: each photo shows eight points of a known plane.  One photo says little; hundreds together
say a good deal.  This is a joint fit with prior knowledge (Bayes; Gauss-Newton on the sum of squares): shared by all
photos are the focal length's factor, ``k1`` and the card's aspect as printed; each photo has its pose and what else may
mimic a lens, each with its own prior: focusing, a moved optical centre (stabilisation), a slightly curved card, ink
that spreads, rows that are read one after the other.  Those are eliminated photo by photo (Schur complement), so their
doubt stays in the result: where photos tell little, the prior is what comes out.  Photos that fit badly count less
(weights of Student's t).

OpenCV's model, :mod:`pipeline.camera`.  ``k2`` is not fitted: a card of a quarter of the picture does not tell it from
``k1``; what it leaves in ``k1`` is part of the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline import camera
from pipeline.records import LensFix

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.records import SurfaceFix

SHARED = ("focal length", "k1", "aspect")
ASPECT_SD = 0.002
"""How far a printer's two directions differ (paper is stretched along its way): an estimate, the same for all cards."""
FOCUSING_SD = 0.005
"""Relative change of the focal length from photo to photo by focusing: an estimate."""
POSE = 6
OWN_SD = (*(np.inf,) * POSE, FOCUSING_SD, 0.004, 0.004, 4e-4, 0.01, 4e-4, 4e-4)
"""Prior of what each photo has of its own: three turns, three shifts; focusing; optical centre x, y (shares of the
picture's diagonal); curvature of the card (1/mm); spread of ink (mm); stretch and shear by rows read in turn.
Estimates but for the pose, of which nothing is known."""
SHARED_STEPS = (1e-5, 1e-5, 1e-5)
OWN_STEPS = (1e-5, 1e-5, 1e-5, 1e-3, 1e-3, 1e-2, 1e-5, 1e-5, 1e-5, 1e-6, 1e-3, 1e-5, 1e-5)
"""Steps of the numerical differences, in the order of the unknowns."""
K2_LEFT_SD = 0.004
"""What a lens's second coefficient of some hundredths leaves in the first (found with corners drawn by OpenCV)."""
STUDENT = 8.0
"""Degrees of freedom of the weights: a photo that misses by three times its uncertainty counts about half."""
ROUNDS = 8
CORNERS = 8
LEAST_PHOTOS = 4
MOST_PHOTOS = 400
"""More photos than this add little and cost time; the latest count."""


@dataclass(frozen=True, slots=True, eq=False)
class _Photos:
    """All photos side by side: n photos of eight corners."""

    seen: NDArray[np.float64]
    card: NDArray[np.float64]
    noise_px: NDArray[np.float64]
    focal_px: NDArray[np.float64]
    middle_px: NDArray[np.float64]
    diagonal_px: NDArray[np.float64]


def usable(fix: SurfaceFix) -> bool:
    """Whether a photo can say something of its lens: a flat, whole card, neither zoomed nor cropped."""
    return bool(fix.lens and fix.tag_focal_px and fix.corners_px is not None and len(fix.corners_px) == CORNERS)


def learn(fixes: Sequence[SurfaceFix], device: str, focal_rel_sd: float, lens_sd: float) -> LensFix | None:
    """Fit one lens to the cards of its photos.

    Parameters
    ----------
    fixes
        Photos of one lens, :func:`usable` ones, the latest last.
    device
        Label of the phone, written into the result.
    focal_rel_sd, lens_sd
        What was known before: standard uncertainties of a focal length from the tags, as a share, and of ``k1``.

    Returns
    -------
    LensFix or None
        ``None`` for fewer than four photos.
    """
    chosen = list(fixes)[-MOST_PHOTOS:]
    if len(chosen) < LEAST_PHOTOS:
        return None
    photos, rotations, shifts = _side_by_side(chosen)
    prior, own_prior = 1 / np.square([focal_rel_sd, lens_sd, ASPECT_SD]), 1 / np.square(OWN_SD)
    shared, own = np.zeros(len(SHARED)), np.zeros((len(chosen), len(OWN_SD)))
    normal = np.diag(prior)
    for _ in range(ROUNDS):
        miss, by_shared, by_own = _linear(photos, rotations, shifts, shared, own)
        chi2 = (miss**2).sum(axis=1) + (own**2 * own_prior).sum(axis=1)
        freedom = miss.shape[1] - POSE
        # corners that miss by more than they should in most photos are less certain than was thought (Birge ratio)
        birge = max(1.0, float(np.median(chi2)) / (freedom - 2 / 3))
        weight = (STUDENT + freedom) / (STUDENT + chi2 / birge) / birge
        normal, step, own_steps = _step(miss, by_shared, by_own, weight, prior, own_prior, shared, own)
        shared, own = shared + step, own + own_steps
        rotations = np.stack([camera.rotation_of(turn) for turn in own[:, :3]]) @ rotations
        shifts = shifts + own[:, 3:POSE]
        own[:, :POSE] = 0.0
    spread = np.sqrt(np.diag(np.linalg.inv(normal)))
    factor = float(np.exp(shared[0]))
    return LensFix(
        lens=chosen[-1].lens,
        device=device,
        photos=len(chosen),
        focal_factor=factor,
        focal_factor_sd=float(factor * np.hypot(spread[0], FOCUSING_SD)),
        k1=float(shared[1]),
        k1_sd=float(np.hypot(spread[1], K2_LEFT_SD)),
    )


def _side_by_side(fixes: Sequence[SurfaceFix]) -> tuple[_Photos, NDArray[np.float64], NDArray[np.float64]]:
    middle = np.stack([fix.camera_matrix[:2, 2] for fix in fixes])
    return (
        _Photos(
            seen=np.stack([fix.corners_px for fix in fixes if fix.corners_px is not None]),
            card=np.stack([fix.corners_mm for fix in fixes]),
            noise_px=np.array([fix.corner_sd_px for fix in fixes]),
            focal_px=np.array([fix.tag_focal_px or 0.0 for fix in fixes]),
            middle_px=middle,
            diagonal_px=np.hypot(*(2 * middle + 1).T),
        ),
        np.stack([fix.rotation for fix in fixes]),
        np.stack([fix.translation_mm for fix in fixes]),
    )


def _seen(
    photos: _Photos,
    rotations: NDArray[np.float64],
    shifts: NDArray[np.float64],
    shared: NDArray[np.float64],
    own: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Where the corners fall in the pictures, shape (n, 8, 2)."""
    focusing, bend, ink, stretch, shear = (own[:, k, None] for k in (6, 9, 10, 11, 12))
    flat_x, flat_y = photos.card[..., 0], photos.card[..., 1]
    # the corners of a marker lie left and right, above and below its middle in turn
    outward = np.array([(-1, 1), (1, 1), (1, -1), (-1, -1)] * 2, dtype=np.float64)
    x = flat_x * (1 + shared[2] / 2) + ink * outward[:, 0]
    y = flat_y * (1 - shared[2] / 2) + ink * outward[:, 1]
    points = np.stack([x - bend**2 * x**3 / 6, y, -bend * x**2 / 2], axis=-1)
    turned = points @ np.swapaxes(_turns(own[:, :3]) @ rotations, 1, 2)
    at = turned + (shifts + own[:, 3:POSE])[:, None, :]
    u, v = camera.distort(at[..., 0] / at[..., 2], at[..., 1] / at[..., 2], (float(shared[1]), 0.0, 0.0, 0.0, 0.0))
    u = u * (1 + stretch) + shear * v
    focal = photos.focal_px[:, None] * np.exp(shared[0] + focusing)
    centre = photos.middle_px + own[:, 7:9] * photos.diagonal_px[:, None]
    return np.stack([focal * u + centre[:, :1], focal * v + centre[:, 1:]], axis=-1)


def _turns(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rotations (n, 3, 3) by small vectors (n, 3), to first order."""
    x, y, z = vectors.T
    one = np.ones_like(x)
    return np.stack([one, -z, y, z, one, -x, -y, x, one], axis=1).reshape(-1, 3, 3)


def _linear(
    photos: _Photos,
    rotations: NDArray[np.float64],
    shifts: NDArray[np.float64],
    shared: NDArray[np.float64],
    own: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Misses (n, 16) in standard uncertainties, and how fast corners move with unknowns: (n, 16, 3), (n, 16, 13)."""
    at = _seen(photos, rotations, shifts, shared, own)
    count = len(at)
    rates = []
    for k, step in enumerate(SHARED_STEPS):
        moved = shared.copy()
        moved[k] += step
        rates.append((_seen(photos, rotations, shifts, moved, own) - at) / step)
    for k, step in enumerate(OWN_STEPS):
        changed = own.copy()
        changed[:, k] += step
        rates.append((_seen(photos, rotations, shifts, shared, changed) - at) / step)
    by = np.stack(rates, axis=-1).reshape(count, -1, len(rates)) / photos.noise_px[:, None, None]
    miss = ((photos.seen - at) / photos.noise_px[:, None, None]).reshape(count, -1)
    return miss, by[..., : len(SHARED)], by[..., len(SHARED) :]


def _step(
    miss: NDArray[np.float64],
    by_shared: NDArray[np.float64],
    by_own: NDArray[np.float64],
    weight: NDArray[np.float64],
    prior: NDArray[np.float64],
    own_prior: NDArray[np.float64],
    shared: NDArray[np.float64],
    own: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Normal matrix of the shared unknowns after each photo's own are eliminated, and the steps of both."""
    to_own = np.swapaxes(by_own, 1, 2)
    inner = to_own @ by_own + np.diag(own_prior)
    cross = to_own @ by_shared
    inner_right = (to_own @ miss[..., None])[..., 0] - own_prior * own
    solved = np.linalg.solve(inner, np.concatenate([cross, inner_right[..., None]], axis=2))
    outer = np.swapaxes(by_shared, 1, 2) @ by_shared - np.swapaxes(cross, 1, 2) @ solved[..., :-1]
    right = (np.swapaxes(by_shared, 1, 2) @ miss[..., None])[..., 0] - (np.swapaxes(cross, 1, 2) @ solved[..., -1:])[
        ..., 0
    ]
    normal = np.diag(prior) + np.einsum("n,nij->ij", weight, outer)
    step = np.linalg.solve(normal, weight @ right - prior * shared)
    return normal, step, solved[..., -1] - solved[..., :-1] @ step

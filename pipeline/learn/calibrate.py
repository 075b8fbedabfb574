"""Make probabilities mean something: temperature, Platt scaling, conformal thresholds, the spread of known features.

Everything here is fitted on scenes and photographs of species that were neither trained on
nor tested on.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from pipeline.learn.raw import Part
from pipeline.network import Calibration, FeatureStatistics, conformal_scores, stage_probabilities

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.learn.sheet import RawAnswers, Sheet

ALPHA = 0.1
AXES = 48


def fit_temperature(logits: NDArray[np.floating], stage: NDArray[np.integer]) -> float:
    """Temperature that makes the true stages most likely (Guo et al. 2017), found by a golden-section search."""

    def loss(log_t: float) -> float:
        p = stage_probabilities(logits, math.exp(log_t))[np.arange(len(stage)), stage]
        return float(-np.log(np.maximum(p, 1e-9)).mean())

    low, high, ratio = -2.5, 2.5, (math.sqrt(5) - 1) / 2
    a, b = high - ratio * (high - low), low + ratio * (high - low)
    at_a, at_b = loss(a), loss(b)
    for _ in range(60):
        if at_a < at_b:
            high, b, at_b = b, a, at_a
            a = high - ratio * (high - low)
            at_a = loss(a)
        else:
            low, a, at_a = a, b, at_b
            b = low + ratio * (high - low)
            at_b = loss(b)
    return math.exp((low + high) / 2)


def fit_platt(logits: NDArray[np.floating], truth: NDArray[np.floating]) -> tuple[float, float]:
    """Scale and shift of a logit (Platt 1999), by Newton's method with a weak prior towards (1, 0).

    The prior, worth one case, keeps the answer finite where the two groups do not overlap.
    """
    x, y = np.asarray(logits, dtype=np.float64), np.asarray(truth, dtype=np.float64)
    w = np.array([1.0, 0.0])
    for _ in range(100):
        z = np.clip(w[0] * x + w[1], -30, 30)
        p = 1 / (1 + np.exp(-z))
        r = p * (1 - p)
        gradient = np.array([((p - y) * x).sum(), (p - y).sum()]) + (w - np.array([1.0, 0.0]))
        hessian = np.array([[(r * x * x).sum() + 1, (r * x).sum()], [(r * x).sum(), r.sum() + 1]])
        step = np.linalg.solve(hessian, gradient)
        w = w - step / max(1.0, float(np.abs(step).max()))
        if float(np.abs(step).max()) < 1e-9:
            break
    return float(w[0]), float(w[1])


def conformal_quantile(scores: NDArray[np.floating], alpha: float) -> float:
    """The ceil((1 - alpha)(n + 1))-th smallest score; infinite if n is too small for ``alpha`` (Vovk et al. 2005)."""
    n = len(scores)
    rank = math.ceil((1 - alpha) * (n + 1) - 1e-9)
    return math.inf if rank > n else float(np.sort(scores)[rank - 1])


def conformal_threshold(present_p: NDArray[np.floating], alpha: float) -> float:
    """Threshold below which at most a share ``alpha`` of cases that show a sign fall; 0 if there are too few cases."""
    quantile = conformal_quantile(-np.asarray(present_p, dtype=np.float64), alpha)
    return 0.0 if math.isinf(quantile) else -quantile


def fit(
    raw: RawAnswers,
    truth: Sheet,
    alpha: float = ALPHA,
    *,
    held: NDArray[np.bool_] | None = None,
    flags_from: NDArray[np.bool_] | None = None,
) -> Calibration:
    """Calibrate: probabilities on some of the cases, conformal thresholds on the others.

    Parameters
    ----------
    held
        Shape (N,): cases kept for the conformal quantile and thresholds (default: the last third).
    flags_from
        Shape (N,): cases that resin, look-alike and "not a site" are fitted on (default: all that are not held).
    """
    count = len(truth)
    rest = np.arange(count) >= 2 * count // 3 if held is None else held
    first = ~rest
    staged = truth.stage >= 0
    temperature = fit_temperature(raw.stage[first & staged], truth.stage[first & staged])
    site = truth.flags[:, 2] == 0
    signs = []
    for k in range(5):
        rows = first & site & (truth.sign_known[:, k] > 0)
        signs.append(fit_platt(raw.presence[rows, k], truth.sign[rows, k]))
    flags = []
    for k in range(3):
        rows = first & (truth.flags_known[:, k] > 0)
        if flags_from is not None:
            rows &= flags_from
        flags.append(fit_platt(raw.flags[rows, k], truth.flags[rows, k]))
    base = Calibration(
        temperature,
        np.array([s for s, _ in signs]),
        np.array([t for _, t in signs]),
        np.array([s for s, _ in flags]),
        np.array([t for _, t in flags]),
        1.0,
        np.zeros(5),
        alpha,
    )
    scores = conformal_scores(base.stages(raw.stage[rest & staged]))
    of_truth = scores[np.arange(len(scores)), truth.stage[rest & staged]]
    sign_p = base.signs(raw.presence)
    thresholds = []
    for k in range(5):
        rows = rest & site & (truth.sign_known[:, k] > 0) & (truth.sign[:, k] > 0)
        thresholds.append(conformal_threshold(sign_p[rows, k], alpha))
    quantile = min(conformal_quantile(of_truth, alpha), 1.0)
    return replace(base, stage_quantile=quantile, sign_thresholds=np.array(thresholds))


def fit_features(known: NDArray[np.floating], held_out: NDArray[np.floating], axes: int = AXES) -> FeatureStatistics:
    """Mean and whitened main axes of known features, and the distances of held-out known patches."""
    mean = known.mean(0)
    _, spread, directions = np.linalg.svd(known - mean, full_matrices=False)
    scale = spread[:axes] / math.sqrt(len(known) - 1)
    whitened = directions[:axes] / np.maximum(scale, 1e-6)[:, None]
    statistics = FeatureStatistics(mean.astype(np.float32), whitened.astype(np.float32), np.zeros(1, np.float32))
    return FeatureStatistics(
        statistics.mean, statistics.axes, np.sort(statistics.distance(held_out)).astype(np.float32)
    )


def fit_jointly(scenes: Part, drawn: Part | None, alpha: float) -> tuple[Calibration, NDArray[np.bool_]]:
    """Joint calibration on scenes and photos of the other renderer; also which cases were held for the conformal part.

    Of the scenes the last third is held, of the photos every third.  Resin, look-alike and "not a site" are fitted on
    scenes alone: the photos show no non-site and other kinds of look-alikes.
    """
    count = len(scenes)
    held = np.arange(count) >= 2 * count // 3
    if drawn is None:
        return fit(scenes.raw, scenes.sheet, alpha, held=held), held
    both = Part.cat([scenes, drawn])
    held = np.concatenate((held, np.arange(len(drawn)) % 3 == 2))
    from_scenes = np.arange(len(both)) < count
    return fit(both.raw, both.sheet, alpha, held=held, flags_from=from_scenes), held


def fit_neighbours(known: NDArray[np.floating], held_out: NDArray[np.floating]) -> FeatureStatistics:
    """A bank of known features on axes that even out their spread, and the distances of held-out known patches.

    Directions in which known features hardly differ are enlarged by 1 / sqrt(spread), with a floor of 2 % of the
    largest spread.  That, and the fifth neighbour, were chosen on pictures of other things (those that travel with
    scikit-image, scikit-learn and Matplotlib) and on planks, not on test photographs.
    """
    _, spread, directions = np.linalg.svd(known - known.mean(0), full_matrices=False)
    scale = spread / math.sqrt(max(len(known) - 1, 1))
    axes = directions / np.sqrt(scale[:, None] + 0.02 * scale[0] + 1e-12)
    axes /= np.abs(axes).max()  # a cosine has no scale; 16 bits have
    on_axes = known @ axes.T
    bank = on_axes / np.linalg.norm(on_axes, axis=1, keepdims=True)
    # as the file holds them
    bank, axes = (x.astype(np.float16).astype(np.float32) for x in (bank, axes))
    start = FeatureStatistics(np.zeros(known.shape[1], np.float32), axes, np.zeros(1, np.float32), bank)
    return replace(start, distances=np.sort(start.distance(held_out)).astype(np.float32))


def fit_known(scenes: Part, photographs: dict[str, Part], drawn: Part | None = None) -> FeatureStatistics:
    """What known patches look like to the encoder: sites of both renderers, photographs of bark and wounds beside them.

    Every second one fills the bank, the others say how far off known patches lie.
    """
    known = [scenes.raw.features[scenes.sheet.flags[:, 2] == 0]]
    known += [p.raw.features for name, p in sorted(photographs.items()) if name != "background"]
    known += [] if drawn is None else [drawn.raw.features]
    return fit_neighbours(*(np.concatenate([part[start::2] for part in known]) for start in (0, 1)))


def answered(part: Part, calibration: Calibration, known: FeatureStatistics) -> Sheet:
    """A part's sheet with the probabilities that a calibration gives."""
    flags = calibration.flags(part.raw.flags)
    flags[:, 2] = np.maximum(flags[:, 2], known.strangeness(part.raw.features))
    return replace(
        part.sheet,
        stage_p=calibration.stages(part.raw.stage),
        sign_p=calibration.signs(part.raw.presence),
        flags_p=flags,
    )

"""Which cases to label next: those in doubt that are unlike what was labelled and picked already.

Doubt is entropy (Shannon 1948; as a choice of what to label: Settles 2009, "Active Learning Literature Survey").
Variety is the distance to the nearest case that is labelled or picked, picked greedily as in the k-centre problem
(Gonzalez 1985; for labels: Sener & Savarese 2018, arXiv 1708.00489).  That the two are multiplied is our own choice.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

LEAST_DOUBT = 0.02
"""Bits of doubt that every case keeps, so that a network that is sure and wrong can be found out."""


def entropy_bits(p: ArrayLike) -> NDArray[np.float64]:
    """Entropy of distributions along the last axis, in bits; 0 log 0 counts as 0."""
    q = np.clip(np.asarray(p, dtype=np.float64), 0.0, 1.0)
    return np.asarray(-np.sum(q * np.log2(np.where(q > 0, q, 1.0)), axis=-1))


def doubt(sign_p: ArrayLike, stage_p: ArrayLike) -> NDArray[np.float64]:
    """How unsure a reading is, 0 to 1: the larger of its least sure sign and its stage, each of its own greatest.

    Parameters
    ----------
    sign_p
        Shape (N, S): probability that each sign is present.
    stage_p
        Shape (N, K): probabilities of the stages.
    """
    signs, stages = np.asarray(sign_p, dtype=np.float64), np.asarray(stage_p, dtype=np.float64)
    by_sign = entropy_bits(np.stack((signs, 1 - signs), axis=-1)).max(axis=-1)
    by_stage = entropy_bits(stages) / np.log2(stages.shape[-1])
    return np.asarray(np.maximum(by_sign, by_stage))


def standardised(features: ArrayLike) -> NDArray[np.float64]:
    """Columns with mean 0 and standard deviation 1; a column that never changes becomes 0."""
    x = np.asarray(features, dtype=np.float64)
    spread = x.std(axis=0)
    return np.asarray((x - x.mean(axis=0)) / np.where(spread > 1e-12, spread, 1.0))


def order_by_gain(
    doubts: ArrayLike, features: ArrayLike, labelled: ArrayLike | None = None, count: int | None = None
) -> list[int]:
    """Rows in the order in which they should be labelled.

    Parameters
    ----------
    doubts
        Shape (N,), from :func:`doubt`.
    features
        Shape (N, D): where each case lies; distances are Euclidean.
    labelled
        Shape (M, D): cases that are labelled already, in the same space.
    count
        How many to pick this way; the rest follow by doubt alone.  All by default.

    Returns
    -------
    Every row once.
    """
    d = np.asarray(doubts, dtype=np.float64) + LEAST_DOUBT
    x = np.asarray(features, dtype=np.float64)
    left = np.ones(len(d), dtype=bool)
    nearest = np.full(len(d), np.inf)
    if labelled is not None:
        for known in np.asarray(labelled, dtype=np.float64):
            nearest = np.minimum(nearest, np.linalg.norm(x - known, axis=1))
    order: list[int] = []
    for _ in range(min(len(d), len(d) if count is None else count)):
        # Where nothing is labelled every place is equally new.
        gain = np.where(left, d * np.where(np.isinf(nearest), 1.0, nearest), -1.0)
        pick = int(np.argmax(gain))
        order.append(pick)
        left[pick] = False
        nearest = np.minimum(nearest, np.linalg.norm(x - x[pick], axis=1))
    rest = np.flatnonzero(left)
    return order + [int(row) for row in rest[np.argsort(-d[rest], kind="stable")]]

"""The plain path of a CUSUM over cases in a known order, against which the charts of the package are held."""

from __future__ import annotations

import numpy as np

from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.learning_curves.cusum import Weights
from examtally.analytics.learning_curves.markov_chain import SAME


def path(failures: BoolArray, weights: Weights) -> FloatArray:
    """Score after each case, floored at 0; `failures` is (cases,) or (orders, cases), True where the case failed.

    The score is followed to the end, beyond any limit; nothing may be missing. `weights` are in units of the natural
    logarithm of a likelihood ratio.

    >>> path(np.array([False, False, True, False]), lccusum_weights(0.10, 0.25)).round(4).tolist()
    [0.1823, 0.3646, 0.0, 0.1823]
    """
    steps = np.where(np.asarray(failures, dtype=bool), weights.failure, weights.success)
    score = np.zeros(steps.shape[:-1])
    scores = np.empty(steps.shape)
    for case in range(steps.shape[-1]):
        score = np.maximum(score + steps[..., case], 0.0)
        scores[..., case] = score
    return scores


def first_signal(scores: FloatArray, limit: float) -> int | None:
    """Number, from 1, of the first case after which the score is at or above `limit`; None where it never is.

    >>> failures = np.isin(np.arange(1, 31), [3, 9])
    >>> first_signal(path(failures, lccusum_weights(0.10, 0.25)), 1.25)
    16
    """
    reached = np.flatnonzero(np.asarray(scores) >= limit - SAME)
    return int(reached[0]) + 1 if reached.size else None

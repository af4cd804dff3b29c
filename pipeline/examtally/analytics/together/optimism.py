"""How much a model flatters itself on the knees it was fitted on: Harrell's bootstrap, people drawn again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.intervals import FloatArray
from examtally.analytics.together.crossfit import log_loss
from examtally.analytics.together.ridge import Ridge, fit_ridge

_MOST_MISSING = 0.1


@dataclass(frozen=True)
class Optimism:
    """Apparent value, mean optimism and corrected value of area under the curve and log score, and draws used."""

    auc: tuple[float, float, float]
    log_score: tuple[float, float, float]
    draws: int


def optimism(
    design: npt.ArrayLike,
    outcome: npt.ArrayLike,
    participant: npt.ArrayLike,
    *,
    penalty: float,
    draws: int = 100,
    seed: int | tuple[int, ...] = 0,
    model: Ridge | None = None,
) -> Optimism:
    """Correct the apparent performance of a ridge model with this penalty for its optimism.

    `design` (n, k), `outcome` (n,) 0 or 1, `participant` (n,) any integer key; people, not knees, are drawn. The
    optimism of a draw is the value on the drawn people less that on all people, both of the model fitted on the drawn
    ones; draws of one class are left out (ValueError where over a tenth are). The penalty is held. `model` is the fit
    on all knees, where it is at hand.

    Source: Harrell FE, Lee KL, Mark DB. Stat Med 1996;15:361-387, section 4.3.
    """
    x, y = np.asarray(design, dtype=np.float64), np.asarray(outcome, dtype=np.float64)
    who = np.unique(np.asarray(participant), return_inverse=True)[1]
    people = int(who.max(initial=-1)) + 1
    whole = model or fit_ridge(x, y, penalty=penalty)
    ones = np.ones(y.size)
    apparent = _performance(whole.log_odds(x), y, ones)
    rng = np.random.default_rng(seed)
    excess = []
    for _ in range(draws):
        weights = np.bincount(rng.integers(people, size=people), minlength=people)[who].astype(np.float64)
        taken = weights > 0
        if not 0 < weights @ y < weights.sum():
            continue
        drawn = fit_ridge(x[taken], y[taken], weights[taken], penalty=penalty, start=whole.coefficients)
        log_odds = drawn.log_odds(x)
        excess.append(_performance(log_odds, y, weights) - _performance(log_odds, y, ones))
    if len(excess) < (1 - _MOST_MISSING) * draws:
        raise ValueError("over a tenth of the draws hold one class only")
    mean = np.mean(excess, axis=0)
    auc, loss = ((float(apparent[i]), float(mean[i]), float(apparent[i] - mean[i])) for i in range(2))
    return Optimism(auc, loss, len(excess))


def _performance(log_odds: FloatArray, outcome: FloatArray, weights: FloatArray) -> FloatArray:
    """Area under the curve and log score of weighted rows."""
    return np.array([weighted_area(log_odds, outcome, weights), weights @ log_loss(log_odds, outcome) / weights.sum()])


def weighted_area(score: FloatArray, outcome: FloatArray, weights: FloatArray) -> float:
    """Chance that a row with the event has the higher score than one without it, ties half, rows counted by weight.

    >>> weighted_area(np.array([1.0, 2.0, 2.0]), np.array([0.0, 1.0, 0.0]), np.array([1.0, 2.0, 3.0]))
    0.625
    """
    order = np.argsort(score, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(score[order]) > 0])
    events = np.add.reduceat((weights * outcome)[order], starts)
    others = np.add.reduceat((weights * (1 - outcome))[order], starts)
    won = events @ (np.cumsum(others) - others / 2)
    return float(won / (events.sum() * others.sum()))

"""How much a model flatters itself on the knees it was fitted on: the bootstrap, people drawn again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.logistic import Logistic, fit_each, fit_logistic, information_at, log_loss, variances

_MOST_MISSING = 0.1
_AT_ONCE = 2_000_000  # rows times draws fitted together: bounds memory
_FEWEST = 10  # draws, after which those end that have told enough
_CLOSE = 0.001
_OUTSIDE = 0.632  # share of people who are in a draw, in the limit


@dataclass(frozen=True)
class OptimismCorrected:
    """A measure as fitted, how much that flatters, what is left, and what Harrell's simpler correction would leave.

    `spread` is the standard deviation, over draws, of the value on all people: how much it varies with the fit.
    """

    apparent: float
    optimism: float
    corrected: float
    harrell: float
    spread: float

    def limits(self, error: float, quantile: float) -> tuple[float, float]:
        """Limits of the corrected value: `error`, the standard error out of fold, and the spread of the fit."""
        half = quantile * float(np.hypot(error, self.spread))
        return self.corrected - half, self.corrected + half


@dataclass(frozen=True)
class Optimism:
    """Area under the curve and log score of a model, corrected; draws used."""

    auc: OptimismCorrected
    log_score: OptimismCorrected
    draws: int


def optimism(
    design: npt.ArrayLike,
    outcome: npt.ArrayLike,
    participant: npt.ArrayLike,
    *,
    penalty: float,
    draws: int = 100,
    seed: int | tuple[int, ...] = 0,
    model: Logistic | None = None,
) -> Optimism:
    """Correct the apparent performance of a ridge model with this penalty for its optimism.

    `design` (n, k), `outcome` (n,) 0 or 1, `participant` (n,) any integer key; people, not knees, are drawn, and the
    penalty is held. Each draw's model is tried on the people drawn, on all, and on those left out. Corrected is the
    .632+ estimate: between the apparent value and that on people left out, all the nearer to the latter the more the
    model has merely learned by heart. Harrell's, the apparent value less the mean excess of the people drawn over all,
    stands beside it: where there is no signal it still finds some. `draws` are the most: drawing ends once the means
    have a standard error below 0.001, as with many knees. Draws with one class only, inside or outside, are left out
    (ValueError where over a tenth are). `model` is the fit on all knees, where it is at hand.

    >>> rng = np.random.default_rng(1)
    >>> x, y = rng.normal(size=(80, 10)), np.repeat([0, 1], 40)
    >>> found = optimism(x, y, np.arange(80), penalty=1.0, draws=20).auc
    >>> found.apparent > found.harrell > found.corrected
    True

    Source: Efron B, Tibshirani R. J Am Stat Assoc 1997;92:548-560 (.632+); Harrell FE, Lee KL, Mark DB. Stat Med
    1996;15:361-387.
    """
    x, y = np.asarray(design, dtype=np.float64), np.asarray(outcome, dtype=np.float64)
    who = np.unique(np.asarray(participant), return_inverse=True)[1]
    people = int(who.max(initial=-1)) + 1
    whole = model or fit_logistic(x, y, penalty=penalty)
    ones = np.ones(y.size)
    (apparent,) = _performance(whole.log_odds(x), y, ones[None])
    rng = np.random.default_rng(seed)
    inside: list[FloatArray] = []
    on_all: list[FloatArray] = []
    outside: list[FloatArray] = []
    for block in np.array_split(np.arange(draws), -(-draws // _FEWEST) + draws * y.size // _AT_ONCE):
        drawn = [np.bincount(rng.integers(people, size=people), minlength=people)[who] for _ in block]
        weights = np.array([one for one in drawn if _has_both(y, one > 0) and _has_both(y, one == 0)], dtype=np.float64)
        for log_odds, one in zip(_refits(x, y, weights, whole), weights, strict=True):
            each = _performance(log_odds, y, np.stack([one, ones, one == 0]))
            for kept, value in zip((inside, on_all, outside), each, strict=True):
                kept.append(value)
        done = int(block[-1]) + 1
        if done >= _FEWEST and _is_told(np.array(inside) - np.array(on_all)) and _is_told(np.array(outside)):
            break
    if len(inside) < (1 - _MOST_MISSING) * done:
        raise ValueError("over a tenth of the draws hold one class only")
    harrell = apparent - np.mean(inside, axis=0) + np.mean(on_all, axis=0)
    unseen = np.mean(outside, axis=0)
    nothing = np.array([0.5, _by_chance(whole.log_odds(x), y)])
    spread = np.std(on_all, axis=0, ddof=1)
    auc, loss = (
        _corrected(*(float(value[i]) for value in (apparent, unseen, nothing, harrell, spread))) for i in range(2)
    )
    return Optimism(auc, loss, len(inside))


def _is_told(drawn: FloatArray) -> bool:
    """Whether the mean of each column is known to a tenth of the digit that is printed."""
    return len(drawn) > 1 and bool((drawn.std(axis=0, ddof=1) < _CLOSE * np.sqrt(len(drawn))).all())


def _has_both(outcome: FloatArray, where: BoolArray) -> bool:
    return bool(0 < outcome[where].sum() < where.sum())


def _refits(design: FloatArray, outcome: FloatArray, weights: FloatArray, whole: Logistic) -> FloatArray:
    """Log-odds of every row by the model of each draw, (draws, n)."""
    if not weights.size:
        return np.zeros((0, outcome.size))
    known = np.column_stack([np.ones(outcome.size), design])
    precision = whole.penalty * variances(weights, known) * (np.arange(known.shape[1]) > 0)
    near, start = information_at(whole.coefficients, known), whole.coefficients
    found = fit_each(weights, weights * outcome, known, precision=precision, start=start, information=near)
    return np.asarray(found @ known.T)


def _corrected(apparent: float, unseen: float, nothing: float, harrell: float, spread: float) -> OptimismCorrected:
    """The .632+ estimate; `nothing` is the value of a forecast that has nothing to do with the outcome."""
    low, high = min(apparent, nothing), max(apparent, nothing)
    kept = min(max(unseen, low), high)
    by_heart = abs(apparent - kept) / (high - low) if high > low else 0.0
    weight = _OUTSIDE / (1 - (1 - _OUTSIDE) * by_heart)
    value = (1 - weight) * apparent + weight * kept
    return OptimismCorrected(apparent, apparent - value, value, harrell, spread)


def _by_chance(log_odds: FloatArray, outcome: FloatArray) -> float:
    """Log score if outcomes were dealt out anew among these forecasts."""
    share = outcome.mean()
    return float(share * log_loss(log_odds, np.ones(1)).mean() + (1 - share) * log_loss(log_odds, np.zeros(1)).mean())


def _performance(log_odds: FloatArray, outcome: FloatArray, weights: FloatArray) -> FloatArray:
    """Area under the curve and log score (w, 2) of rows under each of some weights (w, n)."""
    score = weights @ log_loss(log_odds, outcome) / weights.sum(axis=1)
    return np.column_stack([weighted_areas(log_odds, outcome, weights), score])


def weighted_areas(score: FloatArray, outcome: FloatArray, weights: FloatArray) -> FloatArray:
    """Chance that a row with the event has the higher score than one without it, ties half, under weights (w, n): (w,).

    >>> weighted_areas(np.array([1.0, 2.0, 2.0]), np.array([0.0, 1.0, 0.0]), np.array([[1.0, 2.0, 3.0]])).tolist()
    [0.625]
    """
    order = np.argsort(score)
    starts = np.flatnonzero(np.diff(score[order], prepend=-np.inf) > 0)
    sorted_weights, events = weights[:, order], outcome[order]
    present = np.add.reduceat(sorted_weights * events, starts, axis=1)
    absent = np.add.reduceat(sorted_weights, starts, axis=1) - present
    won = (present * (np.cumsum(absent, axis=1) - absent / 2)).sum(axis=1)
    return np.asarray(won / (present.sum(axis=1) * absent.sum(axis=1)))

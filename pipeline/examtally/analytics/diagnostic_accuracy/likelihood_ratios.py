"""Likelihood ratios and the odds ratio of a 2x2 table, with score and log (delta) intervals.

Arrays have one entry a row; counts may be effective sample sizes. A ratio with nothing in its denominator is infinite,
one with nothing on either side is NaN.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from examtally.analytics.diagnostic_accuracy.clustering import margin
from examtally.analytics.intervals import FloatArray, Interval, normal_quantile

# The proportion above the line and the one below it, each as (events, denominator), as cells of the 2x2 table.
RATIOS: Mapping[str, tuple[tuple[str, str], tuple[str, str]]] = MappingProxyType(
    {
        "lr_positive": (("tp", "fn"), ("fp", "tn")),
        "lr_negative": (("fn", "tp"), ("tn", "fp")),
    }
)
ODDS_RATIO = "diagnostic_odds_ratio"
_ODDS_SIGNS = np.array([1.0, -1.0, -1.0, 1.0])
_WIDEST = 50.0  # limits are sought between exp(-50) and exp(50)
_HALVINGS = 64


def point(measure: str, cells: npt.ArrayLike) -> FloatArray:
    """Return lr_positive, lr_negative or diagnostic_odds_ratio of (rows, 4) cells in the order tp, fp, fn, tn.

    >>> point("lr_positive", [[231, 32, 27, 54]]).round(4)
    array([2.4062])
    """
    table = np.asarray(cells, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        if measure == ODDS_RATIO:
            return np.asarray(table[:, 0] * table[:, 3] / (table[:, 1] * table[:, 2]))
        x1, n1, x2, n2 = sides(measure, table)
        return np.asarray((x1 / n1) / (x2 / n2))


def sides(measure: str, cells: npt.ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Events and knees above the line of a likelihood ratio, then below it: x1, n1, x2, n2."""
    table = np.asarray(cells, dtype=np.float64)
    (above, other_above), (below, other_below) = RATIOS[measure]
    x1, x2 = table @ margin((above,)), table @ margin((below,))
    return x1, x1 + table @ margin((other_above,)), x2, x2 + table @ margin((other_below,))


def influence(measure: str, cells: npt.ArrayLike) -> FloatArray:
    """Influence of each knee on the logarithm of the ratio, as (rows, 4) weights; not finite where a cell is 0.

    Squared and summed over independent knees it is the familiar variance, 1/TP - 1/(TP+FN) + 1/FP - 1/(FP+TN) for
    lr_positive; with the cluster sums of products it is the clustered one, Cov(Se, Sp) included.

    Source: Simel DL, Samsa GP, Matchar DB. J Clin Epidemiol 1991;44:763-770, appendix; delta method.
    """
    table = np.asarray(cells, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        if measure == ODDS_RATIO:
            return _ODDS_SIGNS / table
        (above, other_above), (below, other_below) = RATIOS[measure]
        x1, n1, x2, n2 = (side[:, None] for side in sides(measure, table))
        numerator = margin((above,)) / x1 - margin((above, other_above)) / n1
        weights: FloatArray = numerator - (margin((below,)) / x2 - margin((below, other_below)) / n2)
    return weights


def log_variance(measure: str, cells: npt.ArrayLike) -> FloatArray:
    """Variance of the logarithm of the ratio for independent knees; infinite or NaN where a cell is 0.

    >>> log_variance("lr_positive", [[231, 32, 27, 54]]).round(8)
    array([0.02007513])
    """
    table = np.asarray(cells, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        return np.asarray((influence(measure, table) ** 2 * table).sum(axis=1))


def log_interval(ratio: npt.ArrayLike, variance: npt.ArrayLike, quantile: npt.ArrayLike) -> Interval:
    """Limits ratio * exp(±quantile * sqrt(variance)); NaN where the ratio is not positive and finite or no variance is.

    Source: Simel 1991, appendix.

    >>> limits = log_interval([2.40625], [0.02007512836], 1.959964)
    >>> f"{limits.low[0]:.4f} {limits.high[0]:.4f}"
    '1.8228 3.1765'
    """
    estimate, spread = np.asarray(ratio, dtype=np.float64), np.asarray(variance, dtype=np.float64)
    usable = np.isfinite(estimate) & (estimate > 0) & np.isfinite(spread)
    factor: FloatArray = np.exp(np.asarray(quantile) * np.sqrt(np.where(usable, spread, 0.0)))
    return Interval(np.where(usable, estimate / factor, np.nan), np.where(usable, estimate * factor, np.nan))


def add_half(cells: npt.ArrayLike) -> FloatArray:
    """Add 0.5 to all four cells of the rows where one of them is 0.

    Source: Haldane JBS. Ann Hum Genet 1956;20:309-311; Cox DR. Analysis of Binary Data, 1970.

    >>> add_half([[20, 0, 5, 30], [20, 1, 5, 30]])
    array([[20.5,  0.5,  5.5, 30.5],
           [20. ,  1. ,  5. , 30. ]])
    """
    table = np.asarray(cells, dtype=np.float64)
    return np.asarray(table + 0.5 * (table == 0).any(axis=1, keepdims=True))


def score_interval(
    x1: npt.ArrayLike, n1: npt.ArrayLike, x2: npt.ArrayLike, n2: npt.ArrayLike, level: float = 0.95
) -> Interval:
    """Score interval of (x1/n1) / (x2/n2), two independent proportions; nothing is added to a zero cell.

    The lower limit is 0 where x1 is 0, the upper infinite where x2 is 0; both NaN where both are 0, or where n1 or n2
    is 0 or NaN. No N/(N-1) factor (that is Miettinen & Nurminen 1985).

    Source: Koopman PAR. Biometrics 1984;40:513-517, section 2; his example is 36/40 against 16/80.

    >>> limits = score_interval(36, 40, 16, 80)
    >>> f"{limits.low:.2f} {limits.high:.2f}"
    '2.94 7.15'
    """
    arrays = np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in (x1, n1, x2, n2)))
    known = (arrays[1] > 0) & (arrays[3] > 0) & (arrays[0] + arrays[2] > 0)
    a, m, b, n = (np.where(known, value, 1.0) for value in arrays)
    z = normal_quantile(level)
    with np.errstate(divide="ignore", invalid="ignore"):
        centre = np.clip(np.log(a / m) - np.log(b / n), -_WIDEST, _WIDEST)
    low = np.exp(_root(a, m, b, n, -z, np.full_like(centre, -_WIDEST), centre))
    high = np.exp(_root(a, m, b, n, z, centre, np.full_like(centre, _WIDEST)))
    low, high = np.where(a == 0, 0.0, low), np.where(b == 0, np.inf, high)
    return Interval(np.where(known, low, np.nan), np.where(known, high, np.nan))


def _root(
    x1: FloatArray, n1: FloatArray, x2: FloatArray, n2: FloatArray, z: float, low: FloatArray, high: FloatArray
) -> FloatArray:
    """Bisect for the log ratio whose score statistic is -z: it falls as the ratio rises."""
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        is_below = _score(x1, n1, x2, n2, np.exp(middle), z) > 0
        low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
    return (low + high) / 2


def _score(x1: FloatArray, n1: FloatArray, x2: FloatArray, n2: FloatArray, ratio: FloatArray, z: float) -> FloatArray:
    """Numerator of the score statistic plus z standard errors, at the likelihood's maximum given the ratio.

    The maximum p2 solves N r p^2 - (r (n1 + x2) + x1 + n2) p + x1 + x2 = 0; the smaller root, in its stable form.
    """
    b = ratio * (n1 + x2) + x1 + n2
    root = np.sqrt(np.maximum(b**2 - 4 * (n1 + n2) * ratio * (x1 + x2), 0.0))
    p2 = np.minimum(2 * (x1 + x2) / (b + root), 1.0)
    p1 = np.minimum(ratio * p2, 1.0)
    spread = np.sqrt(p1 * (1 - p1) / n1 + ratio**2 * p2 * (1 - p2) / n2)
    score: FloatArray = x1 / n1 - ratio * x2 / n2 + z * spread
    return score

"""Log score, Brier score and area under the curve with the influence of every knee, summed over people."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from sklearn.metrics import brier_score_loss, log_loss, roc_auc_score

from examtally.analytics.intervals import FloatArray, t_quantile

MEASURES = ("log_score", "brier", "auc")


@dataclass(frozen=True)
class Estimate:
    """A value with limits from influences summed over people; None where it cannot be given."""

    value: float | None
    ci_low: float | None
    ci_high: float | None
    se: float | None = None


def score_influence(measure: str, probability: npt.ArrayLike, outcome: npt.ArrayLike) -> tuple[float, FloatArray]:
    """The measure and the influence (n,) of each row on it; `probability` (n,) and `outcome` (n,) 0 or 1, no gaps.

    Log and Brier score are means (lower is better); the area under the curve is that of DeLong's placements, ties
    counting half: NaN where one class only is there.

    Source: DeLong ER, DeLong DM, Clarke-Pearson DL. Biometrics 1988;44:837-845; summed over clusters, Obuchowski NA.
    Biometrics 1997;53:567-578.

    >>> value, influence = score_influence("auc", [0.9, 0.4, 0.6, 0.1], [1, 1, 0, 0])
    >>> value, influence.round(3).tolist()
    (0.75, [0.125, -0.125, -0.125, 0.125])
    """
    p, y = np.asarray(probability, dtype=np.float64), np.asarray(outcome, dtype=np.float64)
    if measure == "auc":
        return _area(p, y)
    if measure not in MEASURES:
        raise ValueError(f"measure must be one of {', '.join(MEASURES)}")
    if not p.size:
        return float("nan"), np.zeros(0)
    if measure == "brier":
        value, loss = brier_score_loss(y, p), (p - y) ** 2
    else:
        value, loss = log_loss(y, p, labels=(0, 1)), -np.log(np.where(y > 0, p, 1 - p))
    return float(value), (loss - value) / loss.size


def _area(p: FloatArray, y: FloatArray) -> tuple[float, FloatArray]:
    with_it, without = np.sort(p[y > 0]), np.sort(p[y == 0])
    if not with_it.size or not without.size:
        return float("nan"), np.zeros(p.size)
    below = (np.searchsorted(without, p, "left") + np.searchsorted(without, p, "right")) / 2 / without.size
    above = 1 - (np.searchsorted(with_it, p, "left") + np.searchsorted(with_it, p, "right")) / 2 / with_it.size
    area = float(roc_auc_score(y, p))
    return area, np.where(y > 0, (below - area) / with_it.size, (above - area) / without.size)


def estimate(value: float, influence: FloatArray, participant: npt.ArrayLike, level: float = 0.95) -> Estimate:
    """Limits of a value from influences (n,), summed over people, m/(m-1), t on people - 1.

    No limits with fewer than two people; nothing at all where the value is not finite.
    """
    if not np.isfinite(value):
        return Estimate(None, None, None)
    who = np.unique(np.asarray(participant), return_inverse=True)[1]
    people = int(who.max(initial=-1)) + 1
    if people < 2:
        return Estimate(value, None, None)
    summed = np.bincount(who, weights=influence, minlength=people)
    se = float(np.sqrt(people / (people - 1) * (summed**2).sum()))
    half = float(t_quantile(level, people - 1)) * se
    return Estimate(value, value - half, value + half, se)


@dataclass(frozen=True)
class Added:
    """Forecast b against forecast a by one measure: both values and b - a with its limits."""

    measure: str
    before: float | None
    after: float | None
    difference: Estimate


def added_value(
    before: npt.ArrayLike,
    after: npt.ArrayLike,
    outcome: npt.ArrayLike,
    participant: npt.ArrayLike,
    *,
    level: float = 0.95,
    clip: float = 0.005,
) -> tuple[Added, ...]:
    """Compare two forecasts (n,) in 0-1 of the same knees, `outcome` (n,) 0 or 1, `participant` (n,) any integer key.

    Returned in the order log_score, brier, auc; of the first two below 0 is better, of the last above 0. Forecasts
    nearer to 0 or 1 than `clip` are moved to it for the log score. The difference and its limits come from the
    difference of both influences, summed over people. Where the forecasts never differ, the limits are the difference.

    Source: DeLong 1988 (paired areas); Obuchowski 1997 (clusters).

    >>> told = added_value([0.5, 0.5, 0.5, 0.5], [0.9, 0.8, 0.1, 0.2], [1, 1, 0, 0], [1, 2, 3, 4])
    >>> [(one.measure, round(one.difference.value, 3)) for one in told]
    [('log_score', -0.529), ('brier', -0.225), ('auc', 0.5)]
    """
    a, b = np.asarray(before, dtype=np.float64), np.asarray(after, dtype=np.float64)
    y = np.asarray(outcome, dtype=np.float64)
    found = []
    for measure in MEASURES:
        margin = clip if measure == "log_score" else 0.0
        first, of_first = score_influence(measure, np.clip(a, margin, 1 - margin), y)
        second, of_second = score_influence(measure, np.clip(b, margin, 1 - margin), y)
        change = estimate(second - first, of_second - of_first, participant, level)
        found.append(Added(measure, _finite(first), _finite(second), change))
    return tuple(found)


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None

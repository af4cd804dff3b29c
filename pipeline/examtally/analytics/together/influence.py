"""Log score, Brier score and area under the curve with the influence of every knee, summed over people."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

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
    with np.errstate(divide="ignore"):
        loss = (p - y) ** 2 if measure == "brier" else -np.log(np.where(y > 0, p, 1 - p))
    value = float(loss.mean()) if loss.size else float("nan")
    return value, (loss - value) / max(loss.size, 1)


def _area(p: FloatArray, y: FloatArray) -> tuple[float, FloatArray]:
    with_it, without = np.sort(p[y > 0]), np.sort(p[y == 0])
    if not with_it.size or not without.size:
        return float("nan"), np.zeros(p.size)
    below = (np.searchsorted(without, p, "left") + np.searchsorted(without, p, "right")) / 2 / without.size
    above = 1 - (np.searchsorted(with_it, p, "left") + np.searchsorted(with_it, p, "right")) / 2 / with_it.size
    area = float(below[y > 0].mean())
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

"""The empirical ROC curve and the area under it, knees of one participant allowed for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from sklearn.metrics import roc_auc_score

from examtally.analytics.intervals import BoolArray, FloatArray, normal_quantile
from examtally.analytics.verification_bias.grouped import IntArray


@dataclass(frozen=True)
class Area:
    """Area under the empirical curve with its standard error and limits; None where one cannot be had.

    `n` knees, `events` of them with the condition, `participants` the clusters.
    """

    estimate: float | None
    se: float | None
    ci_low: float | None
    ci_high: float | None
    n: int
    events: int
    participants: int


def area(
    value: npt.ArrayLike, disease: npt.ArrayLike, cluster: npt.ArrayLike | None = None, *, level: float = 0.95
) -> Area:
    """How probably a knee with the condition has the higher value than one without, ties counting half.

    `value` (n,) is a number, NaN for not recorded (left out); `disease` (n,) is 0 or 1, ValueError for others;
    `cluster` (n,) names the participant, None where each knee is a person of its own.
    Limits: estimate ± z standard errors, cut at 0 and 1. The curve is never turned round where it lies below 0.5. None
    where one class is missing; no limits with fewer than two knees (people, where any has several) of a class, or where
    the standard error is 0, as with perfect separation.

    Source: DeLong ER, DeLong DM, Clarke-Pearson DL. Biometrics 1988;44:837–845, eq. 4–5; clustered: Obuchowski NA.
    Biometrics 1997;53:567–578, eq. 4–7, which is DeLong's where nobody has several knees. Data of the example: Hanley
    JA, McNeil BJ. Radiology 1982;143:29–36, table I.

    >>> rating = np.repeat([1, 2, 3, 4, 5] * 2, [33, 6, 6, 11, 2, 3, 2, 2, 11, 33])
    >>> found = area(rating, np.repeat([0, 1], [58, 51]))
    >>> f"{found.estimate:.3f} {found.se:.4f} {found.ci_low:.5f} {found.ci_high:.5f}"
    '0.893 0.0307 0.83295 0.95339'
    """
    x, present, who = _read(value, disease, cluster)
    person = np.unique(who, return_inverse=True)[1]
    people = int(person.max(initial=-1)) + 1
    events = int(present.sum())
    if events in (0, x.size):
        return Area(None, None, None, None, x.size, events, people)
    with_condition, without = np.sort(x[present]), np.sort(x[~present])
    won = _below(without, x[present]) / without.size
    lost = 1 - _below(with_condition, x[~present]) / with_condition.size
    estimate = float(roc_auc_score(present, x))
    variance = _variance(won - estimate, person[present], lost - estimate, person[~present], people)
    if not variance > 1e-15:
        return Area(estimate, None, None, None, x.size, events, people)
    se = float(np.sqrt(variance))
    half = normal_quantile(level) * se
    return Area(estimate, se, max(estimate - half, 0.0), min(estimate + half, 1.0), x.size, events, people)


def _below(ordered: FloatArray, values: FloatArray) -> FloatArray:
    """How many of `ordered` lie below each of `values`, equal ones counting half."""
    left, right = np.searchsorted(ordered, values, "left"), np.searchsorted(ordered, values, "right")
    return np.asarray((left + right) / 2)


def _variance(won: FloatArray, winners: IntArray, lost: FloatArray, losers: IntArray, people: int) -> float:
    """Obuchowski's variance from centred placements of either class and the person of each; NaN where too few."""
    m, n = won.size, lost.size
    clusters_1, clusters_0 = np.unique(winners).size, np.unique(losers).size
    if clusters_1 < 2 or clusters_0 < 2:
        return float("nan")
    ones = np.bincount(winners, won, minlength=people)
    zeros = np.bincount(losers, lost, minlength=people)
    first = clusters_1 / ((clusters_1 - 1) * m) * float((ones**2).sum())
    second = clusters_0 / ((clusters_0 - 1) * n) * float((zeros**2).sum())
    both = people / (people - 1) * float((ones * zeros).sum())
    return first / m + second / n + 2 * both / (m * n)


def _read(
    value: npt.ArrayLike, disease: npt.ArrayLike, cluster: npt.ArrayLike | None
) -> tuple[FloatArray, BoolArray, npt.NDArray[np.generic]]:
    x, status = np.asarray(value, dtype=np.float64), np.asarray(disease, dtype=np.float64)
    who = np.arange(x.size) if cluster is None else np.asarray(cluster)
    if x.ndim != 1 or x.shape != status.shape or x.shape != who.shape or not np.isin(status, (0.0, 1.0)).all():
        raise ValueError("value, disease (0 or 1) and cluster: one of each a knee")
    kept = ~np.isnan(x)
    return x[kept], status[kept] > 0, who[kept]

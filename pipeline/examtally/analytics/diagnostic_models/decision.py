"""Net benefit of imaging by a forecast, against imaging everybody and nobody."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.diagnostic_models.influence import estimate
from examtally.analytics.intervals import FloatArray


@dataclass(frozen=True)
class Benefit:
    """One strategy at one threshold, on n knees.

    `net_benefit` with limits is in knees found per knee; `imaged` and `missed` are knees imaged, and knees with the
    condition not imaged, per 100; `avoided` is the net reduction in images per 100 against imaging everybody, at no
    more missed: below 0 where imaging everybody is better.
    """

    threshold: float
    net_benefit: float
    ci_low: float | None
    ci_high: float | None
    imaged: float
    missed: float
    avoided: float
    n: int


def net_benefit(true_positive: float, false_positive: float, threshold: float) -> float:
    """Net benefit from the shares of all knees that are true and false positives, at one threshold probability.

    Source: Vickers AJ, Elkin EB. Med Decis Making 2006;26:565-574: TP/n - FP/n x pt/(1 - pt).

    >>> round(net_benefit(0.3 * 0.8, 0.7 * 0.1, 0.2), 4)
    0.2225
    """
    if not 0 < threshold < 1:
        raise ValueError("threshold must lie between 0 and 1")
    return true_positive - false_positive * threshold / (1 - threshold)


def avoided_per_100(benefit: float, benefit_of_all: float, threshold: float) -> float:
    """Net reduction in interventions per 100 against intervening in everybody, at one threshold.

    Source: Vickers AJ, Cronin AM, Elkin EB, Gonen M. BMC Med Inform Decis Mak 2008;8:53.

    >>> round(avoided_per_100(0.2225, 0.125, 0.2), 6)
    39.0
    """
    return 100 * (benefit - benefit_of_all) * (1 - threshold) / threshold


def decision_curve(
    probability: npt.ArrayLike,
    outcome: npt.ArrayLike,
    participant: npt.ArrayLike,
    thresholds: Sequence[float],
    level: float = 0.95,
) -> tuple[Benefit, ...]:
    """Image the knees whose forecast (n,) is at or above each threshold; `outcome` (n,) is 0 or 1, at least one row.

    A forecast of 1 for all is imaging everybody, of 0 for all imaging nobody. Limits: influence of each knee summed
    over people, t on people - 1; none where every knee counts the same.

    >>> (at,) = decision_curve([0.9, 0.6, 0.2, 0.1], [1, 0, 1, 0], [1, 2, 3, 4], [0.5])
    >>> at.net_benefit, at.imaged, at.missed
    (0.0, 50.0, 25.0)

    Source: Vickers & Elkin 2006; Vickers 2008 (avoided).
    """
    p, y = np.asarray(probability, dtype=np.float64), np.asarray(outcome, dtype=np.float64)
    if not p.size or p.shape != y.shape:
        raise ValueError("one forecast and one outcome a knee, and at least one knee")
    return tuple(_at(threshold, p, y, participant, level) for threshold in thresholds)


def _at(threshold: float, p: FloatArray, y: FloatArray, participant: npt.ArrayLike, level: float) -> Benefit:
    imaged = (p >= threshold).astype(np.float64)
    worth = imaged * (y - (1 - y) * threshold / (1 - threshold))
    found = net_benefit(float((imaged * y).mean()), float((imaged * (1 - y)).mean()), threshold)
    of_all = net_benefit(float(y.mean()), float((1 - y).mean()), threshold)
    limits = estimate(found, (worth - worth.mean()) / worth.size, participant, level)
    has_spread = np.ptp(worth) > 0
    return Benefit(
        threshold=threshold,
        net_benefit=found,
        ci_low=limits.ci_low if has_spread else None,
        ci_high=limits.ci_high if has_spread else None,
        imaged=100 * float(imaged.mean()),
        missed=100 * float((y * (1 - imaged)).mean()),
        avoided=avoided_per_100(found, of_all, threshold),
        n=y.size,
    )

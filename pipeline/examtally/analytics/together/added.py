"""What one forecast adds to another on the same knees: change in log score, Brier score and area under the curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.together.influence import MEASURES, Estimate, estimate, score_influence


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

"""Calibration of one set of forecasts and the chart of one learner, given as arrays."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from examtally.analytics.calibration.forecasts import Forecasts, IntArray
from examtally.analytics.calibration.measures import Measure, Resamples, Resampling, measure_all
from examtally.analytics.intervals import BoolArray
from examtally.analytics.learning_curves.cusum import CusumDesign
from examtally.analytics.learning_curves.followed import Course, follow_all


def calibrate(
    probability: npt.ArrayLike,
    outcome: npt.ArrayLike,
    participant: npt.ArrayLike | None = None,
    *,
    how: Resampling | None = None,
) -> tuple[Measure, ...]:
    """The measures of stated probabilities (n,), outcomes (n,) 0 or 1, and participants (n,)."""
    forecasts = Forecasts.of(probability, outcome, participant)
    if forecasts.n == 0:
        raise ValueError("at least one forecast is needed")
    return measure_all(Resamples.of(forecasts, how or Resampling()))


def follow(
    failed: BoolArray,
    period: IntArray,
    learning: CusumDesign,
    keeping: CusumDesign,
    *,
    orders: int = 101,
    seed: int = 0,
) -> Course:
    """The chart of one person; arguments as in `follow_all`."""
    return follow_all(
        np.zeros(len(period), dtype=np.int64), period, failed, learning, keeping, orders=orders, seed=seed
    )

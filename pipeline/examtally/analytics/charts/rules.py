"""The two rules of a chart with limits: a point outside them, and eight points in a row on one side of the centre."""

from __future__ import annotations

import numpy as np

from examtally.analytics.intervals import BoolArray, FloatArray, IntArray

RUN = 8


def outside(values: FloatArray, low: FloatArray, high: FloatArray) -> BoolArray:
    """Points outside their limits; NaN where there is no point, which is never outside."""
    return (values < low) | (values > high)


def in_run(values: FloatArray, centre: float) -> BoolArray:
    """Points that end a run of eight or more on one side of `centre`.

    A point on the centre, or a missing one, neither lengthens nor breaks a run (Perla, Provost & Murray, BMJ Quality
    and Safety 2011;20:46-51, with a run of eight).

    >>> in_run(np.array([.1] * 4 + [.5, np.nan] + [.1] * 5), 0.5).nonzero()[0].tolist()
    [9, 10]
    """
    sides: IntArray = np.where(np.isnan(values), 0, np.sign(values - centre)).astype(np.int64)
    ends = np.zeros(values.shape, dtype=bool)
    length, last = 0, 0
    for place in np.flatnonzero(sides):
        length = length + 1 if sides[place] == last else 1
        last = int(sides[place])
        ends[place] = length >= RUN
    return ends

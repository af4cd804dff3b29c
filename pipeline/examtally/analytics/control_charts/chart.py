"""One series of shares by period, and the chart it can bear."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from examtally.analytics.control_charts.chances import Promise, binomial_promise, median_promise, normal_promise
from examtally.analytics.control_charts.cumulative import cumulative
from examtally.analytics.control_charts.shares import in_run, is_overdispersed, laney_sigma, outside, share_limits
from examtally.analytics.intervals import FloatArray, IntArray

BASELINE = 12
LEAST_EXPECTED = 5


@dataclass(frozen=True)
class Chart:
    """The points of a series with limits and signals; arrays are (periods,), NaN where there is none.

    `form` is p, laney, cumulative, run or none. Of a cumulative chart `values` are its scores for more events, or minus
    those for fewer where these are larger, and the limits are scores. `rules` names the rule by which a point signals,
    empty where it does not. Of the form none, `promise` is missing.
    """

    form: str
    values: FloatArray
    centre: float | None
    low: FloatArray
    high: FloatArray
    rules: tuple[str, ...]
    promise: Promise | None


def bears_limits(events: IntArray, sizes: IntArray) -> bool:
    """Whether twelve periods have cases and, on average over the first twelve, 5 events and 5 cases without one."""
    seen = sizes > 0
    first = events[seen][:BASELINE], sizes[seen][:BASELINE]
    if first[0].size < BASELINE:
        return False
    rarer = min(int(first[0].sum()), int((first[1] - first[0]).sum()))
    return rarer >= LEAST_EXPECTED * BASELINE


def chart(events: IntArray, sizes: IntArray) -> Chart:
    """Chart mature periods, oldest first, by their shares `events` of `sizes`; every period in between is given.

    The first twelve periods with cases are the baseline. With enough of both outcomes in each: a p-chart, Laney's
    p'-chart where the baseline differs more than chance allows. With too few: a cumulative chart. With fewer than
    twelve periods, or a baseline of all or none: the points alone.
    """
    values = np.divide(events, sizes, out=np.full(events.shape, np.nan), where=sizes > 0)
    if bears_limits(events, sizes):
        return _with_limits(values, events, sizes)
    seen = np.flatnonzero(sizes > 0)
    made = cumulative(events, sizes, int(seen[BASELINE - 1]) + 1) if seen.size >= BASELINE else None
    if made is None:
        nothing = np.full(events.shape, np.nan)
        return Chart("none", values, None, nothing, nothing, ("",) * events.size, None)
    scores = np.where(made.more >= made.fewer, made.more, -made.fewer)
    is_signal = (made.more >= made.limit_more) | (made.fewer >= made.limit_fewer)
    low, high = np.full(events.shape, -made.limit_fewer), np.full(events.shape, made.limit_more)
    rules = tuple("cumulative_limit" if signal else "" for signal in is_signal)
    return Chart("cumulative", scores, 0.0, low, high, rules, made.promise)


def run_chart(values: FloatArray) -> Chart:
    """Chart mature values, oldest first (NaN where there is none), about the median of the first twelve: runs only."""
    seen = np.flatnonzero(~np.isnan(values))
    nothing = np.full(values.shape, np.nan)
    if seen.size < BASELINE:
        return Chart("none", values, None, nothing, nothing, ("",) * values.size, None)
    centre = float(np.median(values[seen[:BASELINE]]))
    rules = tuple("run_of_eight" if run else "" for run in in_run(values, centre))
    return Chart("run", values, centre, nothing, nothing, rules, median_promise(BASELINE))


def _with_limits(values: FloatArray, events: IntArray, sizes: IntArray) -> Chart:
    first = np.flatnonzero(sizes > 0)[:BASELINE]
    total, seen = int(events[first].sum()), int(sizes[first].sum())
    centre, size = total / seen, round(seen / BASELINE)
    form, sigma = "p", 1.0
    promise = binomial_promise(total, seen, size)
    if is_overdispersed(events[first], sizes[first]):
        form, sigma = "laney", max(1.0, laney_sigma(events[first], sizes[first]))
        promise = normal_promise(centre, size, sigma, BASELINE)
    low, high = share_limits(centre, sizes, sigma)
    far, run = outside(values, low, high), in_run(values, centre)
    rules = tuple("beyond_limits" if f else "run_of_eight" if r else "" for f, r in zip(far, run, strict=True))
    return Chart(form, values, centre, low, high, rules, promise)

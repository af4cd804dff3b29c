"""Charts of learning followed over the cases of a person, where the order within a period is unknown.

A registry knows in which period a case came and not which came first, so a chart is followed in many random orders at
once and its score is the median over them. The cases of a period that fail are drawn one by one without replacement,
and the same draws serve every chart: a chart depends on its own cases and the seed, and what stands for a period does
not change when later periods come.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np

from examtally.analytics.calibration.forecasts import IntArray
from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.learning_curves.cusum import CusumDesign
from examtally.analytics.learning_curves.markov_chain import SAME


@dataclass(frozen=True)
class Course:
    """Charts case by case, one behind the other; every array is (cases,).

    - `score`: median over the orders;
    - `is_keeping`: whether the monitoring CUSUM stands there, else the LC-CUSUM;
    - `is_signal`: the score is at the limit: the level is reached, or seems to have been left. The next case begins
      the other chart at 0;
    - `share_signalled`: share of the orders whose own score has been at the limit since the chart last began.
    """

    score: FloatArray
    is_keeping: BoolArray
    is_signal: BoolArray
    share_signalled: FloatArray


@dataclass(frozen=True)
class _Blocks:
    """The cases in order of chart and period: how each chart lies, and what each case draws from."""

    first: IntArray
    lengths: IntArray
    left: IntArray
    failures: IntArray


def follow_all(
    chart: IntArray,
    period: IntArray,
    failed: BoolArray,
    learning: CusumDesign,
    keeping: CusumDesign,
    *,
    orders: int = 101,
    seed: int = 0,
) -> Course:
    """Follow charts at once: LC-CUSUM until its limit, then monitoring CUSUM until its own, and so on.

    `chart`, `period` and `failed` are (cases,): numbers of the charts, whole numbers that put the periods in order,
    True where the case failed; nothing may be missing. `learning` and `keeping` are designs of the LC-CUSUM and the
    monitoring CUSUM; without a limit a chart is followed and never signals. The cases of the course are in order of
    chart and period, whatever the order of the rows. Biau & Porcher 2010, Statistics in Medicine 29:1900-1909;
    Steiner et al. 2000, Biostatistics 1:441-452. ValueError for fewer than 1 order or arrays that do not match.

    >>> from examtally.analytics.learning_curves.cusum import design
    >>> charts = design(0.2, 0.4, 60, 0.05), design(0.2, 0.4, 60, 0.05, is_monitoring=True)
    >>> course = follow_all(np.zeros(20, dtype=int), np.arange(20), np.zeros(20, dtype=bool), *charts)
    >>> int(np.flatnonzero(course.is_signal)[0]) + 1, round(float(course.score[1]), 3)
    (15, 0.575)
    """
    if orders < 1 or not len(chart) == len(period) == len(failed):
        raise ValueError("orders must be 1 or more, and chart, period and failed of one length")
    blocks = _blocks(np.asarray(chart), np.asarray(period), np.asarray(failed, dtype=bool))
    cases, charts = blocks.left.size, blocks.first.size
    steps = np.array([[d.weights.success, d.weights.failure] for d in (learning, keeping)])
    limits = np.array([inf if d.limit is None else d.limit - SAME for d in (learning, keeping)])
    score, share = np.empty(cases), np.empty(cases)
    is_keeping, is_signal = np.empty(cases, dtype=bool), np.empty(cases, dtype=bool)
    stage = np.zeros(charts, dtype=np.int64)
    now, highest = np.zeros((charts, orders)), np.zeros((charts, orders))
    remaining = np.zeros((charts, orders), dtype=np.int64)
    draws = np.random.default_rng(seed)
    for number in range(int(blocks.lengths.max(initial=0))):
        active = slice(0, int(np.count_nonzero(blocks.lengths > number)))
        row = blocks.first[active] + number
        begun = blocks.failures[row][:, None]
        remaining[active] = np.where(begun >= 0, begun, remaining[active])
        has_failed = draws.random(orders) * blocks.left[row][:, None] < remaining[active]
        remaining[active] -= has_failed
        step = np.where(has_failed, steps[stage[active], 1][:, None], steps[stage[active], 0][:, None])
        now[active] = np.maximum(now[active] + step, 0.0)
        highest[active] = np.maximum(highest[active], now[active])
        limit = limits[stage[active]]
        score[row], is_keeping[row] = np.median(now[active], axis=1), stage[active] == 1
        share[row] = (highest[active] >= limit[:, None]).mean(axis=1)
        is_signal[row] = score[row] >= limit
        signals = np.flatnonzero(is_signal[row])
        now[signals], highest[signals] = 0.0, 0.0
        stage[signals] = 1 - stage[signals]
    return Course(score, is_keeping, is_signal, share)


def _blocks(chart: IntArray, period: IntArray, failed: BoolArray) -> _Blocks:
    """Cases sorted by chart and period; `first` and `lengths` of the charts, the longest first.

    `left` counts the cases of the same chart and period from each case on; `failures` holds their failures at the first
    of them and -1 at the others.
    """
    order = np.lexsort((period, chart))
    chart, period, failed = chart[order], period[order], failed[order]
    is_chart = np.ones(chart.size, dtype=bool)
    is_chart[1:] = chart[1:] != chart[:-1]
    is_block = is_chart.copy()
    is_block[1:] |= period[1:] != period[:-1]
    starts, first = np.flatnonzero(is_block), np.flatnonzero(is_chart)
    sizes, lengths = np.diff(np.append(starts, chart.size)), np.diff(np.append(first, chart.size))
    left = np.repeat(starts + sizes, sizes) - np.arange(chart.size)
    failures = np.full(chart.size, -1, dtype=np.int64)
    failures[starts] = np.bincount((np.cumsum(is_block) - 1)[failed], minlength=starts.size)
    longest = np.argsort(-lengths, kind="stable")
    return _Blocks(first[longest], lengths[longest], left, failures)

"""One series by period, smoothed, with limits that cry wolf as seldom as they are told to.

The chart follows an exponentially weighted moving average of the mature periods after the first twelve. Its limits
carry what those twelve leave open about the usual value and the spread between periods, and are set by simulation of
stable years so that a false signal within twelve periods has the stated chance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logit

from examtally.analytics.control_charts.baseline import BASELINE, Baseline, ShareBaseline, ValueBaseline
from examtally.analytics.intervals import FloatArray, IntArray

WEIGHT = 0.2
YEAR = 12
ODDS = 2.0
_SUDDEN = 0.2  # of the chance of a false signal, to single periods far out; the rest to the average
_PATHS = 16_000
_BEFORE = 6  # periods that a simulated year has before it
_SHIFTED_PATHS = 2_000
_LONGEST = 60


@dataclass(frozen=True)
class Promise:
    """What a chart promises.

    `false_signal`: chance of a false signal within twelve periods of a stable clinic; `shift`: a value that is looked
    for, the odds of the usual share changed twofold towards a half; `delay`: periods until it signals, the
    median, 60 at most. The last two are None where no shift is named.
    """

    false_signal: float
    shift: float | None
    delay: float | None


@dataclass(frozen=True)
class Chart:
    """The points of a series with limits and signals; arrays are (periods,), NaN where there is none.

    `smoothed` is the moving average, `low` and `high` are its limits. `rules` names the rule by which a point signals,
    empty where it does not.
    """

    smoothed: FloatArray
    centre: float
    low: FloatArray
    high: FloatArray
    rules: tuple[str, ...]
    promise: Promise


def share_chart(events: IntArray, sizes: IntArray, false_signal: float) -> Chart | None:
    """Chart mature periods, oldest first, by their shares `events` of `sizes`; every period in between is given.

    `false_signal`: chance of a false signal within twelve periods, 0 to 1. None with fewer than twelve periods with
    cases. EWMA with weight 0.2: Roberts SW. Technometrics 1959;1:239-250; with the variance of an estimated centre:
    Jones LA, Champ CW, Rigdon SE. Technometrics 2001;43:156-167.
    """
    seen = np.flatnonzero(sizes > 0)
    if seen.size < BASELINE:
        return None
    first = seen[:BASELINE]
    usual = ShareBaseline.of(events[first], sizes[first])
    shift = np.log(ODDS) * (1 if usual.centre <= 0.5 else -1)
    aim = 1 / (1 + np.exp(-(logit(usual.centre) + shift)))
    values = np.divide(events, sizes, out=np.full(events.shape, np.nan), where=sizes > 0)
    return _chart(usual, values, sizes, first, false_signal, (float(shift), float(aim)))


def value_chart(values: FloatArray, false_signal: float) -> Chart | None:
    """Chart positive mature values, oldest first (NaN where there is none), on their logarithms; else as shares are."""
    seen = np.flatnonzero(~np.isnan(values))
    if seen.size < BASELINE:
        return None
    logs = np.log1p(values)
    made = _chart(
        ValueBaseline.of(logs[seen[:BASELINE]]), logs, (~np.isnan(logs)).astype(np.int64), seen[:BASELINE], false_signal
    )
    smoothed, low, high = (np.expm1(part) for part in (made.smoothed, made.low, made.high))
    return Chart(smoothed, float(np.expm1(made.centre)), low, high, made.rules, made.promise)


def _chart(
    usual: Baseline,
    values: FloatArray,
    sizes: IntArray,
    first: IntArray,
    false_signal: float,
    shift: tuple[float, float] | None = None,
) -> Chart:
    rng = np.random.default_rng(0)
    coming = rng.choice(sizes[first], (_PATHS, _BEFORE + YEAR))
    down, up = _limits(usual, usual.draw(coming, 0.0, rng), coming, false_signal * (1 - _SUDDEN) / 2)
    follows = np.zeros(values.size, dtype=bool)
    follows[first[-1] + 1 :] = True
    smoothed, low, high = (np.full(values.size, np.nan) for _ in range(3))
    average, deviation = _average(usual, values[None, follows], sizes[None, follows])
    smoothed[follows] = usual.centre + average[0]
    low[follows], high[follows] = usual.centre + down * deviation[0], usual.centre + up * deviation[0]
    far = np.zeros(values.size, dtype=bool)
    cases = follows & (sizes > 0)
    far[cases] = usual.tails(values[cases], sizes[cases]) < false_signal * _SUDDEN / (2 * YEAR)
    is_off = (smoothed < low) | (smoothed > high)
    rules = tuple(
        "smoothed_limit" if off else "sudden_change" if one else "" for off, one in zip(is_off, far, strict=True)
    )
    delay = None if shift is None else _delay(usual, sizes[first], shift[0], down, up, rng)
    aim = None if shift is None else shift[1]
    low, high = np.maximum(low, 0.0), np.minimum(high, usual.highest)
    return Chart(smoothed, usual.centre, low, high, rules, Promise(false_signal, aim, delay))


def _limits(usual: Baseline, values: FloatArray, sizes: IntArray, side: float) -> tuple[float, float]:
    """Limits of the scores that a simulated year crosses with the chance `side` each; infinite where chance alone may
    well bring no event, or nothing but events, in all the months of a path.
    """
    scores = _scores(usual, values, sizes)[:, _BEFORE:]
    down, up = float(np.quantile(scores.min(axis=1), side)), float(np.quantile(scores.max(axis=1), 1 - side))
    is_share = isinstance(usual, ShareBaseline)
    none, only = ((values == edge).all(axis=1).mean() > side for edge in (0, 1))
    return -np.inf if is_share and none else down, np.inf if is_share and only else up


def _average(usual: Baseline, values: FloatArray, sizes: IntArray) -> tuple[FloatArray, FloatArray]:
    """The moving average less the usual value, and its standard deviation, (paths, periods).

    A period without cases leaves both as they were. What the baseline leaves open about the usual value is common to
    all periods, so its part of the variance does not shrink with their number.
    """
    variance = usual.variance(sizes)
    average, own, shared = (np.zeros(values.shape[0]) for _ in range(3))
    out, deviation = np.empty(values.shape), np.empty(values.shape)
    for place in range(values.shape[1]):
        seen = sizes[:, place] > 0
        step = np.where(seen, WEIGHT, 0.0)
        average = (1 - step) * average + step * np.where(seen, values[:, place] - usual.centre, 0.0)
        own = (1 - step) ** 2 * own + step**2 * variance[:, place]
        shared = (1 - step) * shared + step
        out[:, place] = average
        deviation[:, place] = np.sqrt(own + shared**2 * usual.centre_variance)
    return out, deviation


def _scores(usual: Baseline, values: FloatArray, sizes: IntArray) -> FloatArray:
    average, deviation = _average(usual, values, sizes)
    return average / np.maximum(deviation, np.finfo(np.float64).tiny)


def _delay(usual: Baseline, sizes: IntArray, shift: float, down: float, up: float, rng: np.random.Generator) -> float:
    """Median of the periods until the average signals after a shift, 60 at most."""
    coming = rng.choice(sizes, (_SHIFTED_PATHS, _LONGEST))
    scores = _scores(usual, usual.draw(coming, shift, rng), coming)
    signal = (scores < down) | (scores > up)
    waits = np.where(signal.any(axis=1), signal.argmax(axis=1) + 1, _LONGEST)
    return float(np.median(waits))

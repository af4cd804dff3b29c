"""Accuracy and calibration over the last twelve mature periods, never one, beside the mature periods before them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np
import polars as pl
from scipy.stats import betabinom

from examtally.analytics.intervals import FloatArray, t_quantile

WINDOW = 12
_SIDES = {"sensitivity": ("tp", "fn"), "specificity": ("tn", "fp")}


@dataclass(frozen=True)
class _Sums:
    """What a share and its clustered variance need, by period: counts, and sums over participants of products."""

    events: FloatArray
    cases: FloatArray
    events_events: FloatArray
    events_cases: FloatArray
    cases_cases: FloatArray
    participants: FloatArray

    def over(self, first: int, last: int) -> tuple[float, float, float, float]:
        """Share, cases, effective cases and participants of the periods `first` to `last` - 1.

        The design effect is 1 or more; where all or none are events it cannot be had, and participants stand for it.
        """
        part = slice(first, last)
        cases = float(self.cases[part].sum())
        if not cases:
            return np.nan, 0.0, 0.0, 0.0
        people = float(self.participants[part].sum())
        share = float(self.events[part].sum()) / cases
        spread = (
            self.events_events[part] - 2 * share * self.events_cases[part] + share**2 * self.cases_cases[part]
        ).sum()
        chance = cases * share * (1 - share)
        return share, cases, cases / max(1.0, float(spread) / chance) if chance else people, people


def rolling_accuracy(
    tallies: pl.DataFrame, condition: str, maneuver: str, needed: int, false_signal: float
) -> Iterator[dict[str, Any]]:
    """Yield rows of sensitivity and specificity of one pair at each period that ends a window of twelve mature ones.

    `tallies` are the tallies by period of that pair, mature periods only, oldest first. `needed` participants stand
    behind a figure on either side of a comparison. Limits are those outside which the share of the window lies with at
    most the probability `false_signal` when nothing has changed: beta-binomial quantiles, given the periods before it
    and Jeffreys' prior, of the effective number of knees (clustered by participant within periods).

    Source: predictive distribution of a binomial count, Aitchison J, Dunsmore IR. Statistical Prediction Analysis,
    1975, section 2.2.
    """
    for measure, (event, other) in _SIDES.items():
        sums = _sums(tallies, event, other)
        for last in range(WINDOW, tallies.height + 1):
            share, cases, size, people = sums.over(last - WINDOW, last)
            before, _, size_before, people_before = sums.over(0, last - WINDOW)
            row = {
                "period": tallies["group"][last - 1],
                "group_by": "pair",
                "group": f"{condition}/{maneuver}",
                "indicator": measure,
                "numerator": int(sums.events[last - WINDOW : last].sum()),
                "denominator": int(cases),
                "value": share if people >= needed else None,
            }
            if min(people, people_before) >= needed and last >= 2 * WINDOW:
                row |= _judged(share, before, *predicted_limits(before, size_before, size, false_signal), false_signal)
            yield row


def rolling_calibration(
    stated: pl.DataFrame, periods: list[str], condition: str, needed: int, false_signal: float
) -> Iterator[dict[str, Any]]:
    """Yield rows of what was found minus what was stated, of one condition, over windows of twelve mature `periods`.

    `stated` holds period, probability, present and n of that condition. `needed` knees stand behind a figure.
    Limits outside which the window lies with about the probability `false_signal` when nothing has changed: those of
    two means with one variance (Student's t), since a window without an event would seem to have none.
    """
    place = {period: number for number, period in enumerate(periods)}
    kept = stated.filter(pl.col("period").is_in(periods))
    when = np.array([place[period] for period in kept["period"]], dtype=np.int64)
    gap = kept["is_present"].cast(pl.Float64).to_numpy() - kept["probability"].to_numpy()
    present, n = kept["is_present"].cast(pl.Int64).to_numpy(), kept["n"].to_numpy()
    for last in range(WINDOW, len(periods) + 1):
        inside, earlier = (when >= last - WINDOW) & (when < last), when < last - WINDOW
        mean, squares, knees = _mean(gap[inside], n[inside])
        row = {
            "period": periods[last - 1],
            "group_by": "condition",
            "group": condition,
            "indicator": "calibration_gap",
            "numerator": int((present * n)[inside].sum()),
            "denominator": knees,
            "value": mean if knees >= needed else None,
        }
        before, squares_before, knees_before = _mean(gap[earlier], n[earlier])
        if min(knees, knees_before) >= max(needed, 2) and last >= 2 * WINDOW:
            freedom = knees + knees_before - 2
            pooled = (squares + squares_before) / freedom * (1 / knees + 1 / knees_before)
            half = float(t_quantile(1 - false_signal, freedom)) * sqrt(pooled)
            row |= _judged(mean, before, max(-1.0, before - half), min(1.0, before + half), false_signal)
        yield row


def predicted_limits(share: float, size: float, wanted: float, false_signal: float) -> tuple[float, float]:
    """Limits of the share of about `wanted` knees to come, after a `share` in `size` knees; neither need be whole.

    >>> low, high = predicted_limits(0.9, 120, 120, 0.002)
    >>> round(low, 3), round(high, 3)
    (0.75, 0.983)
    """
    knees, tail = max(1, round(wanted)), false_signal / 2
    chance = betabinom.pmf(np.arange(knees + 1), knees, share * size + 0.5, (1 - share) * size + 0.5)
    low = np.argmax(np.cumsum(chance) >= tail)
    high = knees - np.argmax(np.cumsum(chance[::-1]) >= tail)
    return float(low) / knees, float(high) / knees


def _sums(tallies: pl.DataFrame, event: str, other: str) -> _Sums:
    def column(name: str) -> FloatArray:
        values: FloatArray = tallies[name].cast(pl.Float64).to_numpy()
        return values

    both = column(f"{event}_{other}" if f"{event}_{other}" in tallies.columns else f"{other}_{event}")
    own, others = column(f"{event}_{event}"), column(f"{other}_{other}")
    side = "present" if event == "tp" else "absent"
    return _Sums(
        events=column(event),
        cases=column(event) + column(other),
        events_events=own,
        events_cases=own + both,
        cases_cases=own + 2 * both + others,
        participants=column(f"participants_{side}"),
    )


def _mean(values: FloatArray, n: FloatArray) -> tuple[float, float, int]:
    """Mean, sum of squares about it and number of knees, each value standing for `n` of them."""
    knees = int(n.sum())
    if knees < 2:
        return np.nan, np.nan, knees
    mean = float((values * n).sum() / knees)
    return mean, float((n * (values - mean) ** 2).sum()), knees


def _judged(value: float, centre: float, low: float, high: float, false_signal: float) -> dict[str, Any]:
    is_off = bool(value < low or value > high)
    return {
        "centre": centre,
        "limit_low": low,
        "limit_high": high,
        "false_signal": false_signal,
        "signal": is_off,
        "rule": "twelve_periods" if is_off else None,
    }

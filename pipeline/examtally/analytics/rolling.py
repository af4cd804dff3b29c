"""Accuracy and calibration over the last twelve mature periods, never one, beside the mature periods before them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np
import polars as pl

from examtally.analytics.intervals import FloatArray, normal_quantile

WINDOW = 12
LEVEL = 0.998
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
        """Share, cases, design effect (1 or more) and participants of the periods `first` to `last` - 1."""
        part = slice(first, last)
        cases = float(self.cases[part].sum())
        if not cases:
            return np.nan, 0.0, 1.0, 0.0
        share = float(self.events[part].sum()) / cases
        spread = (
            self.events_events[part] - 2 * share * self.events_cases[part] + share**2 * self.cases_cases[part]
        ).sum()
        chance = cases * share * (1 - share)
        return share, cases, max(1.0, float(spread) / chance) if chance else 1.0, float(self.participants[part].sum())


def rolling_accuracy(tallies: pl.DataFrame, condition: str, maneuver: str, needed: int) -> Iterator[dict[str, Any]]:
    """Yield rows of sensitivity and specificity of one pair at each period that ends a window of twelve mature ones.

    `tallies` are the tallies by period of that pair, mature periods only, oldest first. `needed` participants stand
    behind a figure on either side of a comparison. Limits are those within which the share of the window lies with
    99.8 % probability when nothing has changed, clustered by participant within periods.
    """
    for measure, (event, other) in _SIDES.items():
        sums = _sums(tallies, event, other)
        for last in range(WINDOW, tallies.height + 1):
            share, cases, deff, people = sums.over(last - WINDOW, last)
            before, earlier, deff_before, people_before = sums.over(0, last - WINDOW)
            row = {
                "period": tallies["group"][last - 1],
                "group_by": "pair",
                "group": f"{condition}/{maneuver}",
                "indicator": measure,
                "numerator": int(sums.events[last - WINDOW : last].sum()),
                "denominator": int(cases),
                "value": share if people >= needed else None,
            }
            if min(people, people_before) >= needed and last >= 2 * WINDOW and 0 < before < 1:
                half = normal_quantile(LEVEL) * sqrt(before * (1 - before) * (deff / cases + deff_before / earlier))
                row |= _limits(share, before, half, 0.0, 1.0)
            yield row


def rolling_calibration(
    stated: pl.DataFrame, periods: list[str], condition: str, needed: int
) -> Iterator[dict[str, Any]]:
    """Yield rows of what was found minus what was stated, of one condition, over windows of twelve mature `periods`.

    `stated` holds period, probability, present and n of that condition. `needed` knees stand behind a figure.
    Limits as in `rolling_accuracy`, from the variance of the difference in each part.
    """
    place = {period: number for number, period in enumerate(periods)}
    kept = stated.filter(pl.col("period").is_in(periods))
    when = np.array([place[period] for period in kept["period"]], dtype=np.int64)
    gap = kept["is_present"].cast(pl.Float64).to_numpy() - kept["probability"].to_numpy()
    present, n = kept["is_present"].cast(pl.Int64).to_numpy(), kept["n"].to_numpy()
    for last in range(WINDOW, len(periods) + 1):
        inside, earlier = (when >= last - WINDOW) & (when < last), when < last - WINDOW
        mean, variance, knees = _mean(gap[inside], n[inside])
        row = {
            "period": periods[last - 1],
            "group_by": "condition",
            "group": condition,
            "indicator": "calibration_gap",
            "numerator": int((present * n)[inside].sum()),
            "denominator": knees,
            "value": mean if knees >= needed else None,
        }
        before, variance_before, knees_before = _mean(gap[earlier], n[earlier])
        if min(knees, knees_before) >= needed and last >= 2 * WINDOW:
            half = normal_quantile(LEVEL) * sqrt(variance + variance_before)
            row |= _limits(mean, before, half, -1.0, 1.0)
        yield row


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
    """Mean, its variance and the number of knees, each value standing for `n` of them."""
    knees = int(n.sum())
    if knees < 2:
        return np.nan, np.nan, knees
    mean = float((values * n).sum() / knees)
    return mean, float((n * (values - mean) ** 2).sum() / (knees - 1) / knees), knees


def _limits(value: float, centre: float, half: float, least: float, most: float) -> dict[str, Any]:
    low, high = max(least, centre - half), min(most, centre + half)
    is_off = bool(value < low or value > high)
    return {
        "centre": centre,
        "limit_low": low,
        "limit_high": high,
        "signal": is_off,
        "rule": "twelve_periods" if is_off else None,
    }

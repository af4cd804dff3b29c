"""Measures of accuracy, draw by draw, and their summaries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from examtally.analytics.intervals import FloatArray

SHARES = ("prevalence", "sensitivity", "specificity", "ppv", "npv", "accuracy")
RATIOS = ("lr_positive", "lr_negative", "diagnostic_odds_ratio")


@dataclass(frozen=True)
class Cells:
    """Weighted sums of the 2x2 table draw by draw; arrays of one shape, draws last."""

    tp: FloatArray
    fp: FloatArray
    fn: FloatArray
    tn: FloatArray


@dataclass(frozen=True)
class Summary:
    """Median and limits of draws; None where they are not finite."""

    estimate: float | None
    low: float | None
    high: float | None


def measures(cells: Cells, prevalence: float | None = None) -> Mapping[str, FloatArray]:
    """Draws of every measure; predictive values at `prevalence` where it is set. Undefined ones are NaN or infinite."""
    tp, fp, fn, tn = cells.tp, cells.fp, cells.fn, cells.tn
    with np.errstate(divide="ignore", invalid="ignore"):
        sensitivity, specificity = tp / (tp + fn), tn / (fp + tn)
        positive, negative = sensitivity / (1 - specificity), (1 - sensitivity) / specificity
        total = tp + fp + fn + tn
        ppv, npv = tp / (tp + fp), tn / (fn + tn)
        if prevalence is not None:
            ppv = post_test(prevalence, positive)
            npv = 1 - post_test(prevalence, negative)
        return {
            "prevalence": (tp + fn) / total,
            "sensitivity": sensitivity,
            "specificity": specificity,
            "ppv": ppv,
            "npv": npv,
            "lr_positive": positive,
            "lr_negative": negative,
            "diagnostic_odds_ratio": positive / negative,
            "accuracy": (tp + tn) / total,
        }


def post_test(before: float | FloatArray, ratio: FloatArray) -> FloatArray:
    """Probability after a finding of this likelihood ratio, from that before it."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(1 / (1 + (1 - before) / before / ratio))


def summary(draws: FloatArray, level: float) -> Summary:
    """Median and percentiles of draws (s,); see `summaries`."""
    return summaries(draws[None, :], level)[0]


def summaries(draws: FloatArray, level: float) -> list[Summary]:
    """Median and percentiles of each row of draws (k, s), each the nearest draw.

    A value that is infinite is None, and all of a row where a draw is undefined.
    """
    ordered = np.sort(draws, axis=1)
    last, tail = draws.shape[1] - 1, (1 - level) / 2
    chosen = ordered[:, [round(share * last) for share in (0.5, tail, 1 - tail)]]
    chosen[np.isnan(draws).any(axis=1)] = np.nan
    return [Summary(*(value if np.isfinite(value) else None for value in row)) for row in chosen.tolist()]

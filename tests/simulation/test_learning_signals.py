"""Charts of learning signal as often as their exact chances say, and the median over unknown orders no more often."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from examtally.analytics.learning_curves.cusum import CusumDesign, design, signal_probability
from examtally.analytics.learning_curves.followed import follow_all

SEED = 20261125
LEVELS = ((0.2, 0.4, 60), (0.1, 0.25, 60), (0.15, 0.3, 100), (0.2, 0.25, 1000))
PERIODS = (5, 20)


def signalled(
    chart: CusumDesign, p_failure: float, runs: int, charts: int, *, period: int = 1, orders: int = 1
) -> tuple[float, float]:
    """Share of simulated charts that signal within the planned cases, `period` of which come in one, and its error.

    All charts of a run share the draws that order their cases, so that the error is that of the mean over runs.
    """
    place = np.tile(np.arange(chart.planned) // period, charts)
    owner = np.repeat(np.arange(charts), chart.planned)
    never = replace(chart, limit=None)
    shares = []
    for run in range(runs):
        failed = np.random.default_rng([SEED, period, run]).random(owner.size) < p_failure
        course = follow_all(owner, place, failed, chart, never, orders=orders, seed=SEED + run)
        shares.append(np.unique(owner[course.is_signal]).size / charts)
    return float(np.mean(shares)), float(np.std(shares, ddof=1) / runs**0.5)


def study(levels: tuple[float, float, int], scale: int, *, with_medians: bool) -> pl.DataFrame:
    """For both charts and both levels of skill: exact chance, simulated shares, and of medians over 101 orders."""
    acceptable, unacceptable, planned = levels
    rows = []
    for is_monitoring in (False, True):
        chart = design(acceptable, unacceptable, planned, 0.05, is_monitoring=is_monitoring)
        assert chart.limit is not None
        for p_failure in (acceptable, unacceptable):
            row: dict[str, object] = {
                "chart": "CUSUM" if is_monitoring else "LC-CUSUM",
                "failing": p_failure,
                "is_false": p_failure == (acceptable if is_monitoring else unacceptable),
                "limit": chart.limit,
                "exact": signal_probability(chart.weights, chart.limit, p_failure, planned),
            }
            row["known"], row["known_error"] = signalled(chart, p_failure, 20, 50 * scale)
            row["drawn"], row["drawn_error"] = signalled(chart, p_failure, 10 * scale, 25, period=PERIODS[1])
            for period in PERIODS if with_medians else ():
                row[f"median_{period}"], row[f"median_{period}_error"] = signalled(
                    chart, p_failure, 20, 10 * scale, period=period, orders=101
                )
            rows.append(row)
    return pl.DataFrame(rows)


def judge(table: pl.DataFrame) -> None:
    """Shares in a known order, and in one drawn within periods, lie within four errors of the exact chance."""
    for row in table.iter_rows(named=True):
        for name in ("known", "drawn"):
            assert abs(row[name] - row["exact"]) < 4 * row[f"{name}_error"] + 1e-12, row


def test_charts_signal_as_often_as_the_chain_says_in_a_short_run() -> None:
    judge(study(LEVELS[0], 6, with_medians=False))


def test_the_median_over_unknown_orders_makes_no_more_false_signals_in_a_short_run() -> None:
    chart = design(*LEVELS[0], 0.05)
    assert chart.false_signal is not None
    share, error = signalled(chart, 0.4, 10, 100, period=20, orders=101)
    assert share < chart.false_signal + 4 * error


@pytest.mark.study
@pytest.mark.parametrize("levels", LEVELS, ids=str)
def test_charts_signal_as_often_as_the_chain_says(levels: tuple[float, float, int]) -> None:
    table = study(levels, 6000 // levels[2], with_medians=True)
    for row in table.iter_rows(named=True):
        names = ("known", "drawn", *(f"median_{period}" for period in PERIODS))
        shares = " | ".join(f"{100 * row[name]:.2f} ({100 * row[f'{name}_error']:.2f})" for name in names)
        print(
            f"| {levels[0]:g} and {levels[1]:g} | {levels[2]} | {row['chart']} | {row['failing']:g} "
            f"| {'false' if row['is_false'] else 'true'} | {row['limit']:.2f} | {100 * row['exact']:.2f} | {shares} |"
        )
    judge(table)

"""The indicators table: which rows get limits, which may signal, and whom a row may single out."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.stats import betabinom, binom

from examtally.analytics.control_charts.indicators import days_rows, watched_rows
from examtally.analytics.control_charts.rolling import predicted_limits, rolling_accuracy, rolling_calibration

Rows = list[dict[str, Any]]
MONTHS = [f"P{number:03}" for number in range(1, 31)]


def periods(number: int, open_answers: int) -> pl.DataFrame:
    names = MONTHS[:number]
    return pl.DataFrame(
        {
            "period": names,
            "records_open": [name == names[-1] for name in names],
            "answers_open": [place >= number - open_answers for place in range(number)],
        }
    )


def counts(indicator: str, events: list[int], size: int, sites: tuple[str, ...] = ("A",)) -> pl.DataFrame:
    rows = [(period, site, indicator, n, size) for period, n in zip(MONTHS, events, strict=False) for site in sites]
    return pl.DataFrame(rows, schema=["period", "site", "indicator", "numerator", "denominator"], orient="row")


def watched(
    frame: pl.DataFrame, number: int, open_answers: int = 6, baseline: dict[str, str] | None = None, **examiners: int
) -> Rows:
    held = examiners or {"A": 9}
    sites = pl.DataFrame({"site": list(held), "examiners": list(held.values())})
    return list(watched_rows(frame, periods(number, open_answers), sites, baseline or {}, 0.05))


def of(rows: Rows, group_by: str) -> Rows:
    return sorted((row for row in rows if row["group_by"] == group_by), key=lambda row: str(row["period"]))


def test_the_newest_months_never_signal_for_want_of_results() -> None:
    rows = of(watched(counts("verified", [20] * 18 + [8, 5, 3, 1, 0, 0], 40), 24), "overall")
    assert [row["mature"] for row in rows] == [True] * 18 + [False] * 6
    assert not any(row["signal"] for row in rows)
    assert {row.get("limit_low") for row in rows[18:]} == {None}


def test_a_mature_month_far_off_does_signal() -> None:
    rows = of(watched(counts("verified", [20] * 17 + [2] + [0] * 6, 40), 24), "overall")
    assert [row["period"] for row in rows if row["signal"]] == ["P018"]


def test_a_baseline_begun_anew_ends_a_signal_that_would_never_end() -> None:
    lasting = counts("core_complete", [20] * 14 + [30] * 16, 40)
    assert of(watched(lasting, 30), "overall")[28]["signal"]
    rows = of(watched(lasting, 30, baseline={"core_complete": "P015"}), "overall")
    assert not any(row["signal"] for row in rows)
    assert [row.get("centre") for row in (rows[13], rows[14])] == [None, pytest.approx(0.75, abs=0.005)]


def test_records_wait_one_month_only() -> None:
    rows = of(watched(counts("core_complete", [20] * 22 + [2, 0], 40), 24), "overall")
    assert [row["period"] for row in rows if row["signal"]] == ["P023"]


def test_fewer_than_twelve_mature_months_have_points_and_a_note() -> None:
    rows = of(watched(counts("verified", [20] * 17, 40), 17), "overall")
    assert {row.get("chart") for row in rows} == {None}
    assert "12 mature periods" in rows[0]["note"]
    assert rows[-1]["note"] is None


def test_few_events_a_month_are_charted_like_any_others() -> None:
    rows = of(watched(counts("missed_injuries", [1] * 24, 20), 24), "overall")
    assert {row.get("chart") for row in rows} == {"ewma", None}
    assert not any(row["signal"] for row in rows)
    more = of(watched(counts("missed_injuries", [1] * 12 + [6] * 12, 20), 24), "overall")
    assert any(row["signal"] for row in more[12:18])


def test_a_site_of_two_examiners_is_merged_and_no_subtraction_tells_it() -> None:
    frame = counts("verified", [20] * 13, 40, ("A", "B", "C"))
    rows = of(watched(frame, 13, A=5, B=4, C=2), "site")
    assert {row["group"] for row in rows} == {"A", "merged"}
    assert not of(watched(frame, 13, A=5, B=4, C=3), "site_year")


def test_five_sites_make_a_funnel_of_the_last_twelve_mature_months() -> None:
    alike = counts("verified", [20] * 24, 40, ("A", "B", "C", "D", "F", "G", "H", "I", "J", "K"))
    unlike = counts("verified", [4] * 24, 40, ("E",))
    rows = of(watched(pl.concat([alike, unlike]), 24, **dict.fromkeys("ABCDEFGHIJK", 3)), "site_year")
    assert [(row["group"], row["numerator"], row["denominator"]) for row in rows][4] == ("E", 48, 480)
    assert {row["period"] for row in rows} == {"P018"}
    assert [row["group"] for row in rows if row["signal"]] == ["E"]


def test_days_are_medians_with_a_chart() -> None:
    days = pl.DataFrame({"period": MONTHS[:14] * 2, "days": [10] * 14 + [30] * 14, "exams": [3] * 14 + [1] * 14})
    rows = list(days_rows(days, periods(20, 6), {}, 0.05))
    assert {(row["value"], row["denominator"], row["chart"]) for row in rows[:14]} == {(10.0, 4, "ewma")}
    assert {row["value"] for row in rows[14:]} == {None}


def tallies(tp: list[int], fn: list[int]) -> pl.DataFrame:
    """Tallies by period of single knees."""
    zeros = [0] * len(tp)
    cells = {"tp": tp, "fn": fn, "fp": zeros, "tn": zeros}
    names = ("tp_tp", "tp_fp", "tp_fn", "tp_tn", "fp_fp", "fp_fn", "fp_tn", "fn_fn", "fn_tn", "tn_tn")
    products = {name: cells[name[:2]] if name[:2] == name[3:] else zeros for name in names}
    people = {"participants_present": [a + b for a, b in zip(tp, fn, strict=True)], "participants_absent": zeros}
    return pl.DataFrame({"group": MONTHS[: len(tp)], **cells, **products, **people})


def test_accuracy_is_that_of_twelve_months_and_never_of_one() -> None:
    rows = [
        row for row in rolling_accuracy(tallies([8] * 13, [2] * 13), "a", "b", 10, 0.002) if row["value"] is not None
    ]
    assert [(row["period"], row["numerator"], row["denominator"]) for row in rows] == [
        ("P012", 96, 120),
        ("P013", 96, 120),
    ]
    assert not list(rolling_accuracy(tallies([8] * 11, [2] * 11), "a", "b", 10, 0.002))


def test_a_fall_of_accuracy_signals_against_the_months_before() -> None:
    rows = list(rolling_accuracy(tallies([9] * 12 + [6] * 12, [1] * 12 + [4] * 12), "a", "b", 10, 0.002))
    last = [row for row in rows if row["indicator"] == "sensitivity"][-1]
    assert (last["signal"], last["rule"], last["centre"]) == (True, "twelve_periods", pytest.approx(0.9))
    coming = betabinom(120, 108.5, 12.5)
    assert coming.cdf(120 * last["limit_low"] - 1) < 0.001 <= coming.cdf(120 * last["limit_low"])
    assert coming.sf(120 * last["limit_high"]) < 0.001 <= coming.sf(120 * last["limit_high"] - 1)


@pytest.mark.parametrize(("share", "before", "window"), [(0.95, 4, 2), (0.8, 2, 1), (0.97, 20, 8), (0.6, 5, 5)])
def test_twelve_months_signal_no_more_often_than_is_printed(share: float, before: int, window: int) -> None:
    """Every pair of counts that can come, by its chance: 12 months of `before` knees, then 12 of `window`."""
    first, then = np.arange(12 * before + 1), np.arange(12 * window + 1)
    chance = binom.pmf(first, 12 * before, share)[:, None] * binom.pmf(then, 12 * window, share)[None, :]
    likely = np.flatnonzero(chance.sum(axis=1) > 1e-5)
    false = 0.0
    for count in first[likely]:
        low, high = (
            12 * window * limit for limit in predicted_limits(count / (12 * before), 12 * before, 12 * window, 0.002)
        )
        false += chance[count, (then < low - 1e-9) | (then > high + 1e-9)].sum()
    assert 0 < false <= 0.002


def test_a_fall_from_all_right_signals() -> None:
    rows = list(rolling_accuracy(tallies([5] * 24, [0] * 12 + [2] * 12), "a", "b", 10, 0.002))
    last = [row for row in rows if row["indicator"] == "sensitivity"][-1]
    assert (last["signal"], last["centre"]) == (True, 1.0)


def test_twelve_months_without_an_event_do_not_signal_for_their_lack_of_spread() -> None:
    """None of 24 where one in ten is expected comes about in 8 of 100 windows."""
    quiet = pl.DataFrame(
        [(period, 0.1, found, n) for i, period in enumerate(MONTHS) for found, n in ((True, int(i < 12)), (False, 9))],
        schema=["period", "probability", "is_present", "n"],
        orient="row",
    ).with_columns(n=pl.when("is_present").then("n").when(pl.col("period") < MONTHS[12]).then(9).otherwise(2))
    row = list(rolling_calibration(quiet, MONTHS[:24], "a", 10, 0.002))[-1]
    assert (row["numerator"], row["denominator"], row["signal"]) == (0, 24, False)


def stated(gaps: list[int]) -> pl.DataFrame:
    """Ten knees a month called 30 %, of which some have it."""
    rows = [(period, 0.3, True, n) for period, n in zip(MONTHS, gaps, strict=False)]
    rows += [(period, 0.3, False, 10 - n) for period, n in zip(MONTHS, gaps, strict=False)]
    return pl.DataFrame(rows, schema=["period", "probability", "is_present", "n"], orient="row")


def test_calibration_drifts_when_more_is_found_than_was_stated() -> None:
    rows = list(rolling_calibration(stated([3] * 12 + [6] * 12), MONTHS[:24], "a", 10, 0.002))
    assert (rows[0]["value"], rows[0]["numerator"], rows[0]["denominator"]) == (pytest.approx(0.0), 36, 120)
    assert (rows[-1]["value"], rows[-1]["signal"]) == (pytest.approx(0.3), True)
    assert rows[-1]["centre"] == pytest.approx(0.0)
    steady = list(rolling_calibration(stated([3] * 24), MONTHS[:24], "a", 10, 0.002))
    assert not any(row.get("signal") for row in steady)

"""Quality charts: which chart a series can bear, the rules, and the funnel of places."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from examtally.analytics.control_charts import bears_limits, chart, funnel, in_run, run_chart
from examtally.analytics.control_charts.chances import binomial_promise, normal_promise


def flat(events: int, size: int, periods: int) -> tuple[np.ndarray, np.ndarray]:
    """A series that never moves."""
    return np.full(periods, events), np.full(periods, size)


def test_a_p_chart_needs_twelve_periods_and_five_of_each_outcome() -> None:
    assert bears_limits(*flat(5, 50, 12))
    assert not bears_limits(*flat(5, 50, 11))
    assert not bears_limits(*flat(4, 50, 12))
    assert not bears_limits(*flat(46, 50, 12))
    events, sizes = flat(5, 50, 13)
    sizes[3] = events[3] = 0
    assert bears_limits(events, sizes), "a period without cases does not count as one of the twelve"
    assert not bears_limits(events[:12], sizes[:12])


@pytest.mark.parametrize(
    ("events", "size", "periods", "form"),
    [
        (10, 50, 18, "p"),
        (2, 50, 18, "cumulative"),
        (48, 50, 18, "cumulative"),
        (10, 50, 11, "none"),
        (0, 50, 18, "none"),
    ],
)
def test_the_chart_a_series_can_bear(events: int, size: int, periods: int, form: str) -> None:
    made = chart(*flat(events, size, periods))
    assert made.form == form
    assert set(made.rules) == {""}
    assert (made.promise is None) == (form == "none")


def test_a_series_that_jumps_more_than_chance_gets_wider_limits() -> None:
    events = np.array([20, 60] * 8)
    made = chart(events, np.full(16, 100))
    assert made.form == "laney"
    assert set(made.rules) == {""}
    assert made.high[0] - made.low[0] > 6 * np.sqrt(0.24 / 100)


def test_a_point_far_off_names_its_rule() -> None:
    events, sizes = flat(10, 50, 16)
    events[14] = 30
    assert chart(events, sizes).rules[13:] == ("", "beyond_limits", "")


def test_eight_in_a_row_name_theirs_and_a_turned_chart_says_the_same() -> None:
    events, sizes = flat(10, 50, 22)
    events[13:] = 11
    made = chart(events, sizes).rules
    assert [place for place, rule in enumerate(made) if rule] == [20, 21]
    assert set(made[20:]) == {"run_of_eight"}
    assert chart(sizes - events, sizes).rules == made


def test_a_run_passes_over_a_missing_point() -> None:
    values = np.array([0.6] * 5 + [np.nan] + [0.6] * 3)
    assert np.flatnonzero(in_run(values, 0.5)).tolist() == [8]


def test_what_a_short_baseline_leaves_open_makes_false_signals_likelier() -> None:
    short, long = binomial_promise(144, 480, 40), binomial_promise(144_000, 480_000, 40)
    assert short.false_signal > 1.15 * long.false_signal
    assert long.false_signal > 0.03, "the rules themselves err: three in a thousand points and runs by chance"
    few, many = normal_promise(0.3, 40, 2.0, 12), normal_promise(0.3, 40, 2.0, 1200)
    assert few.false_signal > 1.5 * many.false_signal


def test_a_run_chart_has_a_median_and_no_limits() -> None:
    values = np.array([9.0, 11.0] * 6 + [12.0] * 8)
    made = run_chart(values)
    assert (made.form, made.centre) == ("run", 10.0)
    assert np.isnan(made.low).all()
    assert [place for place, rule in enumerate(made.rules) if rule] == [18, 19]
    assert run_chart(values[:11]).form == "none"


def test_a_rare_event_that_doubles_reaches_the_cumulative_limit() -> None:
    events, sizes = flat(2, 60, 30)
    events[12:] = 6
    made = chart(events, sizes)
    first = next(place for place, rule in enumerate(made.rules) if rule)
    assert made.rules[first] == "cumulative_limit"
    assert made.promise is not None
    assert 12 <= first < 12 + (made.promise.delay or 0)
    assert not any(chart(*flat(2, 60, 30)).rules)


def test_a_funnel_of_alike_places_finds_nobody_and_of_one_unlike_finds_that_one() -> None:
    sizes = np.array([40, 80, 120, 200, 400])
    events = sizes // 4
    made = funnel(events, sizes)
    assert (made.dispersion, made.outside.any(), made.centre) == (1.0, False, 0.25)
    assert ((made.low > 0) == (sizes >= 40)).all()
    many = np.full(12, 100)
    one_off = np.where(np.arange(12) == 4, 48, 25)
    assert np.flatnonzero(funnel(one_off, many).outside).tolist() == [4]


def test_a_funnel_of_places_that_all_differ_widens() -> None:
    sizes = np.full(12, 400)
    events = np.array([40, 160] * 6)
    made = funnel(events, sizes)
    assert made.dispersion > 10
    assert not made.outside.any()


def test_a_funnel_of_all_or_none_has_nothing_to_tell() -> None:
    made = funnel(np.zeros(5, dtype=np.int64), np.full(5, 10))
    assert not made.outside.any()
    with pytest.raises(ValueError, match="denominator"):
        funnel(np.array([1, 0]), np.array([4, 0]))


def test_a_place_that_chance_alone_brings_to_all_is_not_outside() -> None:
    """At 95 %, 30 of 30 come about once in five; the interpolated limit lies a hair below 30."""
    sizes = np.array([30, *[200] * 11])
    made = funnel(np.array([30, *[190] * 11]), sizes)
    assert made.dispersion == 1.0
    assert made.high[0] < 1.0
    assert not made.outside.any()
    assert np.flatnonzero(funnel(np.array([20, *[190] * 11]), sizes).outside).tolist() == [0]


@pytest.mark.parametrize("share", [0.05, 0.3, 0.95])
def test_no_side_of_a_funnel_signals_more_often_than_it_says(share: float) -> None:
    for size in (5, 25, 80):
        counts = np.arange(size + 1)
        apart = [funnel(np.array([count, round(share * 10**6)]), np.array([size, 10**6])) for count in counts]
        chance = binom.pmf(counts, size, share)
        outside = np.array([bool(made.outside[0]) and made.dispersion == 1.0 for made in apart])
        for side in (counts < share * size, counts > share * size):
            assert chance[outside & side].sum() <= 0.001 + 1e-6


def test_periods_with_hardly_a_case_get_no_cumulative_chart() -> None:
    sizes = np.array([1, 0, 0] * 13 + [1])
    events = np.zeros(40, dtype=np.int64)
    events[0] = 1
    assert chart(events, sizes).form == "none"


@pytest.mark.parametrize("size", [1, 400])
def test_one_event_in_the_baseline_promises_no_delay_of_centuries(size: int) -> None:
    events = np.zeros(17, dtype=np.int64)
    events[11] = 1
    promise = chart(events, np.full(17, size)).promise
    assert promise is not None
    assert 12 < (promise.delay or 0) <= 120

"""Quality charts: what the baseline leaves open, the moving average and its limits, and the funnel of places."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import betabinom, binom

from examtally.analytics.control_charts.baseline import ShareBaseline, ValueBaseline
from examtally.analytics.control_charts.chart import WEIGHT, share_chart, value_chart
from examtally.analytics.control_charts.funnel import funnel


def flat(events: int, size: int, periods: int) -> tuple[np.ndarray, np.ndarray]:
    """A series that never moves."""
    return np.full(periods, events), np.full(periods, size)


def alternating(apart: int, periods: int) -> tuple[np.ndarray, np.ndarray]:
    """Periods of 100 that lie `apart` above and below 40 in turn."""
    return np.array([40 - apart, 40 + apart] * (periods // 2)), np.full(periods, 100)


def test_a_chart_needs_twelve_periods_with_cases() -> None:
    events, sizes = flat(5, 50, 13)
    assert share_chart(events, sizes, 0.05) is not None
    assert share_chart(events[:11], sizes[:11], 0.05) is None
    sizes[3] = events[3] = 0
    assert share_chart(events, sizes, 0.05) is not None, "twelve of thirteen have cases"
    assert share_chart(events[:12], sizes[:12], 0.05) is None


@pytest.mark.parametrize("events", [0, 1, 15, 49, 50])
def test_a_series_that_never_moves_never_signals(events: int) -> None:
    made = share_chart(*flat(events, 50, 40), 0.05)
    assert made is not None
    assert set(made.rules) == {""}
    assert np.isnan(made.smoothed[:12]).all()
    assert (made.low[12:] <= made.smoothed[12:]).all()
    assert (made.smoothed[12:] <= made.high[12:]).all()


def test_the_average_is_what_its_weights_say() -> None:
    events, sizes = flat(20, 100, 15)
    events[12:] = 30, 25, 10
    made = share_chart(events, sizes, 0.05)
    assert made is not None
    gaps = np.array([0.3, 0.25, 0.1]) - made.centre
    expected = made.centre + WEIGHT * (0.64 * gaps[0] + 0.8 * gaps[1] + gaps[2])
    assert made.smoothed[-1] == pytest.approx(expected)


def test_a_period_without_cases_leaves_the_average_alone() -> None:
    events, sizes = flat(20, 100, 16)
    events[12], events[13], sizes[13] = 30, 0, 0
    made = share_chart(events, sizes, 0.05)
    assert made is not None
    assert made.smoothed[13] == made.smoothed[12]
    assert made.high[13] == made.high[12]


def test_a_lasting_shift_signals_and_a_turned_chart_says_the_same() -> None:
    events, sizes = flat(18, 60, 20)
    events[12:] = 28
    made, turned = share_chart(events, sizes, 0.005), share_chart(sizes - events, sizes, 0.005)
    assert made is not None
    assert turned is not None
    first = next(place for place, rule in enumerate(made.rules) if rule)
    assert first <= 15
    assert all(made.rules[first:]), "and goes on until the baseline is begun anew"
    assert abs(next(place for place, rule in enumerate(turned.rules) if rule) - first) <= 1, "but for the simulation"
    np.testing.assert_allclose(turned.smoothed[12:], 1 - made.smoothed[12:])


def test_a_single_period_far_out_is_a_sudden_change() -> None:
    events, sizes = flat(18, 60, 30)
    events[29] = 36
    made = share_chart(events, sizes, 0.05)
    assert made is not None
    assert made.rules[28] == ""
    assert made.rules[29] in ("sudden_change", "smoothed_limit")
    events[29] = 34
    short = share_chart(events, sizes, 0.3)
    assert short is not None
    usual = ShareBaseline.of(events[:12], sizes[:12])
    assert usual.tails(np.array([0.6]), np.array([60]))[0] < 1e-3


def test_periods_that_differ_more_than_chance_widen_the_limits() -> None:
    calm, wild = share_chart(*alternating(0, 24), 0.05), share_chart(*alternating(20, 24), 0.05)
    assert calm is not None
    assert wild is not None
    assert wild.high[-1] - wild.low[-1] > 2 * (calm.high[-1] - calm.low[-1])
    assert set(wild.rules) == {""}


def test_a_short_baseline_has_wider_limits_than_a_sure_one() -> None:
    few, many = ShareBaseline.of(*flat(2, 8, 12)), ShareBaseline.of(*flat(200, 800, 12))
    assert few.centre_variance > 50 * many.centre_variance
    assert few.variance(np.array([60]))[0] > many.variance(np.array([60]))[0]


def test_predictive_tails_are_beta_binomial_where_periods_do_not_differ() -> None:
    """With a large baseline the spread between periods is found to be small, and the tail is near the exact one."""
    usual = ShareBaseline.of(*flat(300, 1000, 12))
    seen = usual.tails(np.array([0.5]), np.array([60]))[0]
    exact = betabinom(60, 3600.5, 8400.5).sf(29)
    assert exact < seen < 3 * exact


def test_days_are_charted_on_their_logarithm() -> None:
    values = np.array([10.0, 12.0, 9.0, 11.0] * 4 + [30.0] * 8)
    made = value_chart(values, 0.05)
    assert made is not None
    assert 10 < made.centre < 11
    assert made.rules[16] in ("sudden_change", "smoothed_limit")
    assert made.promise.shift is None
    assert value_chart(values[:11], 0.05) is None
    with pytest.raises(ValueError, match="two values"):
        ValueBaseline.of(values[:1])


def test_fewer_false_signals_mean_wider_limits_and_a_longer_wait() -> None:
    events, sizes = flat(18, 60, 13)
    strict, loose = share_chart(events, sizes, 0.005), share_chart(events, sizes, 0.1)
    assert strict is not None
    assert loose is not None
    assert strict.high[-1] - strict.low[-1] > loose.high[-1] - loose.low[-1]
    assert (strict.promise.delay or 0) > (loose.promise.delay or 0)
    assert strict.promise.shift == pytest.approx(0.46, abs=0.01)


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


def test_a_funnel_widens_only_where_places_differ_by_more_than_chance_brings() -> None:
    """Sixteen places, half of them d above and half d below the centre, have a mean squared z of (d / se) squared.

    Two standard errors above 1 are 1 + 2 sqrt(2 / 16) = 1.71.
    """
    sizes, half = np.full(16, 400), np.array([1, -1] * 8)
    chance, beyond = (funnel(200 + half * d, sizes) for d in (12, 14))
    assert 1 < (12 / 10) ** 2 < 1.71 < (14 / 10) ** 2
    assert (chance.dispersion, beyond.dispersion) == (1.0, pytest.approx(1.96))


def test_one_place_far_out_does_not_widen_the_funnel_that_shows_it() -> None:
    events = np.full(16, 200)
    events[3] = 320
    made = funnel(events, np.full(16, 400))
    assert made.dispersion < 3
    assert made.outside[3]


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

"""Binomial intervals: tail areas over a grid, the edges, and where nothing can be said."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom
from statsmodels.stats.proportion import proportion_confint

from examtally.analytics.diagnostic_accuracy import proportions
from examtally.analytics.intervals import normal_quantile, t_quantile

GRID = [(x, n) for n in (1, 2, 5, 20, 37, 263, 5000) for x in sorted({0, 1, n // 3, n // 2, n - 1, n})]
EVENTS, SIZES = (np.array(side) for side in zip(*GRID, strict=True))


@pytest.mark.parametrize("level", [0.8, 0.95, 0.998])
def test_wilson_is_that_of_statsmodels_to_the_last_digit(level: float) -> None:
    inside = (EVENTS > 0) & (EVENTS < SIZES)
    limits = proportions.wilson(EVENTS, SIZES, level)
    low, high = proportion_confint(EVENTS, SIZES, 1 - level, method="wilson")
    np.testing.assert_array_equal(limits.low[inside], low[inside])
    np.testing.assert_array_equal(limits.high[inside], high[inside])


def test_jeffreys_closes_at_the_edges_and_nowhere_else() -> None:
    closed = proportions.jeffreys(EVENTS, SIZES)
    low, high = proportion_confint(EVENTS, SIZES, method="jeffreys")
    assert np.all(closed.low[EVENTS == 0] == 0)
    assert np.all(closed.high[EVENTS == SIZES] == 1)
    np.testing.assert_allclose(closed.low[EVENTS > 0], low[EVENTS > 0], rtol=1e-12)
    np.testing.assert_allclose(closed.high[EVENTS < SIZES], high[EVENTS < SIZES], rtol=1e-12)
    assert np.all(low > 0)


@pytest.mark.parametrize("level", [0.8, 0.95, 0.998])
def test_clopper_pearson_limits_leave_half_of_alpha_in_each_tail(level: float) -> None:
    limits = proportions.clopper_pearson(EVENTS, SIZES, level)
    inside = (EVENTS > 0) & (EVENTS < SIZES)
    tail = (1 - level) / 2
    np.testing.assert_allclose(binom.sf(EVENTS - 1, SIZES, limits.low)[inside], tail, rtol=1e-9)
    np.testing.assert_allclose(binom.cdf(EVENTS, SIZES, limits.high)[inside], tail, rtol=1e-9)


@pytest.mark.parametrize("method", ["wilson", "clopper_pearson", "jeffreys"])
def test_edges_are_exact(method: str) -> None:
    sizes = np.concatenate([np.arange(1, 400), [0.3, 17.77, 1e6]])
    interval = proportions.METHODS[method]
    assert np.all(interval(np.zeros_like(sizes), sizes, 0.95).low == 0.0)
    assert np.all(interval(sizes, sizes, 0.95).high == 1.0)
    assert np.all(interval(np.zeros_like(sizes), sizes, 0.95).high < 1.0)


def test_an_effective_size_need_not_be_whole() -> None:
    between = proportions.wilson(0.9 * 128.195, 128.195)
    smaller, larger = proportions.wilson(0.9 * 128, 128), proportions.wilson(0.9 * 129, 129)
    assert smaller.low < between.low < larger.low
    assert larger.high < between.high < smaller.high


@pytest.mark.parametrize("method", proportions.METHODS)
def test_nothing_is_said_of_nothing(method: str) -> None:
    limits = proportions.METHODS[method](np.array([0.0, np.nan, 3.0]), np.array([0.0, 10.0, np.nan]), 0.95)
    assert np.isnan(limits.low).all()
    assert np.isnan(limits.high).all()


@pytest.mark.parametrize(("events", "n"), [(-1, 5), (6, 5)])
def test_events_outside_n_are_refused(events: int, n: int) -> None:
    with pytest.raises(ValueError, match="within 0 and n"):
        proportions.wilson(events, n)


@pytest.mark.parametrize("level", [0.0, 1.0, 95.0])
@pytest.mark.parametrize("method", proportions.METHODS)
def test_a_level_is_a_probability(method: str, level: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        proportions.METHODS[method](1, 5, level)


def test_t_approaches_the_normal_quantile() -> None:
    assert t_quantile(0.95, 1e9) == pytest.approx(normal_quantile(0.95), abs=1e-6)
    assert t_quantile(0.95, 1) == pytest.approx(12.7062, abs=1e-4)  # any t table

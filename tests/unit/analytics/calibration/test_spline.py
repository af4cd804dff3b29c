"""The smooth calibration curve and the index made from it."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from examtally.analytics.calibration.forecasts import Counts, Forecasts
from examtally.analytics.calibration.recalibration import logit, recalibrate
from examtally.analytics.calibration.spline import SplineBasis, integrated_calibration_index


def counts(seed: int, n: int = 400) -> Counts:
    rng = np.random.default_rng(seed)
    p = np.round(rng.beta(1.2, 2, n), 2)
    return Forecasts.of(p, rng.random(n) < p**1.5).counts


def test_four_knots_at_the_published_quantiles_of_the_log_odds() -> None:
    c = counts(1)
    basis = SplineBasis.of(c, 0.005)
    rows = np.repeat(logit(c.values, 0.005), c.trials.astype(int))
    assert basis.knots == pytest.approx(np.quantile(rows, [0.05, 0.35, 0.65, 0.95]))


def test_the_curve_is_straight_in_log_odds_beyond_the_outer_knots() -> None:
    c = counts(2)
    basis = SplineBasis.of(c, 1e-6)
    beta = basis.fit(c)
    for outside in (np.linspace(basis.knots[-1], basis.knots[-1] + 3, 7), np.linspace(-3, 0, 7) + basis.knots[0]):
        curve = basis.curve(beta, 1 / (1 + np.exp(-outside)))
        assert np.diff(np.log(curve / (1 - curve)), 2) == pytest.approx(0, abs=1e-8)


def test_fit_is_the_regression_statsmodels_makes_on_the_same_terms() -> None:
    c = counts(3)
    basis = SplineBasis.of(c, 0.005)
    model = sm.GLM(
        np.column_stack([c.events, c.non_events]), basis.design(c.values), family=sm.families.Binomial()
    ).fit(tol=1e-12)
    assert basis.curve(basis.fit(c), c.values) == pytest.approx(model.fittedvalues, abs=2e-3)


@pytest.mark.parametrize(("rarer", "terms"), [(5, 1), (9, 1), (10, 2), (14, 2), (15, 3), (100, 3)])
def test_one_term_for_each_five_knees_of_the_rarer_outcome(rarer: int, terms: int) -> None:
    values = np.round(np.linspace(0.05, 0.95, 19), 2)
    trials = np.full(19, 20.0)
    events = np.zeros(19)
    for k in range(rarer):
        events[18 - k % 19] += 1
    basis = SplineBasis.of(Counts(values, trials, events), 0.005)
    assert basis.design(values).shape == (19, 1 + terms)


def test_coinciding_knots_give_a_straight_line() -> None:
    p = np.array([0.1] * 150 + [0.3] * 5 + [0.9] * 45)
    c = Forecasts.of(p, np.arange(200) % 2).counts
    basis = SplineBasis.of(c, 0.005)
    assert basis.knots.size == 0
    slope = recalibrate(c, logit(c.values, 0.005))[1]
    curve = basis.curve(basis.fit(c), np.array([0.3, 0.6]))
    odds = np.log(curve / (1 - curve))
    assert np.diff(odds) / np.diff(logit(np.array([0.3, 0.6]), 0.0)) == pytest.approx(slope, abs=0.01)


def test_index_is_the_mean_distance_of_the_curve() -> None:
    c = counts(4)
    basis = SplineBasis.of(c, 0.005)
    rows = np.repeat(c.values, c.trials.astype(int))
    expected = np.abs(basis.curve(basis.fit(c), rows) - rows).mean()
    assert integrated_calibration_index(basis, c, basis.fit(c)) == pytest.approx(expected, abs=1e-12)


def test_index_of_probabilities_that_are_all_a_tenth_too_high() -> None:
    # with 4 million knees the curve is p − 0.1 but for the bend of the spline
    values = np.round(np.arange(0.2, 0.9, 0.05), 2)
    trials = np.full(values.size, 3e5)
    told = Counts(values, trials, trials * (values - 0.1))
    basis = SplineBasis.of(told, 0.005)
    index = integrated_calibration_index(basis, told, basis.fit(told))
    assert index == pytest.approx(0.1, abs=5e-4)


def test_one_forecast_has_no_curve() -> None:
    with pytest.raises(ValueError, match="two distinct"):
        SplineBasis.of(Forecasts.of([0.4] * 30, [0, 1] * 15).counts, 0.005)

"""Calibration in the large and calibration slope against statsmodels, and where they cannot be had."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.special import expit

from examtally.analytics.calibration.forecasts import Counts, Forecasts
from examtally.analytics.calibration.recalibration import (
    calibration_in_the_large,
    joint_model,
    logit,
    recalibrate,
    separation,
)
from examtally.analytics.logistic import fit_each


def rows(seed: int, n: int = 300, slope: float = 0.6) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    p = np.round(rng.beta(1, 2, n), 2)
    true = 1 / (1 + np.exp(0.3 - slope * logit(p, 0.005)))
    return p, (rng.random(n) < true).astype(float)


def of(p: np.ndarray | list[float], y: np.ndarray | list[int]) -> tuple[Counts, np.ndarray]:
    counts = Forecasts.of(p, y).counts
    return counts, logit(counts.values, 0.005)


@pytest.mark.parametrize("seed", range(4))
def test_one_set_and_one_of_many_have_the_same_fit(seed: int) -> None:
    """By statsmodels row by row, by it from counts, and by the fitter of resamples."""
    p, y = rows(seed)
    x = logit(p, 0.005)
    joint = sm.Logit(y, sm.add_constant(x)).fit(disp=0, tol=1e-12)
    counts, at = of(p, y)
    large, slope = recalibrate(counts, at)
    assert slope == pytest.approx(joint.params[1], abs=1e-7)
    assert [float(value) for value in joint_model(counts, at)] == pytest.approx(joint.params, abs=1e-7)
    assert (y - expit(large + x)).sum() == pytest.approx(0, abs=1e-6)
    assert float(calibration_in_the_large(counts, at)) == pytest.approx(large, abs=1e-8)


def test_many_resamples_at_once_equal_one_at_a_time() -> None:
    forecasts = Forecasts.of(*rows(9))
    rng = np.random.default_rng(5)
    weights = rng.poisson(1.0, (40, forecasts.n)).astype(float)
    counts = Counts(forecasts.values, forecasts.by_value(weights), forecasts.by_value(weights * forecasts.outcome))
    x = logit(counts.values, 0.005)
    slopes, large = joint_model(counts, x)[1], calibration_in_the_large(counts, x)
    for weight, slope, intercept in zip(weights, slopes, large, strict=True):
        repeated = weight.astype(int)
        one = recalibrate(*of(np.repeat(forecasts.probability, repeated), np.repeat(forecasts.outcome, repeated)))
        assert (intercept, slope) == pytest.approx(one, abs=1e-7)


def test_swapping_the_outcome_with_the_complement_turns_the_intercept_and_keeps_the_slope() -> None:
    p, y = rows(2)
    there, back = recalibrate(*of(p, y)), recalibrate(*of(1 - p, 1 - y))
    assert back == pytest.approx((-there[0], there[1]), abs=1e-8)


@pytest.mark.parametrize(
    ("p", "y", "large"),
    [
        ([0.1, 0.2, 0.8, 0.9], [0, 0, 1, 1], True),
        ([0.1, 0.2, 0.8, 0.9], [1, 1, 0, 0], True),
        ([0.1, 0.5, 0.5, 0.9], [0, 0, 1, 1], True),
        ([0.5, 0.5, 0.5, 0.5], [0, 0, 1, 1], True),
        ([0.0, 0.001, 0.002, 0.004], [0, 1, 0, 1], True),
        ([0.1, 0.2, 0.8, 0.9], [1, 1, 1, 1], False),
        ([0.1, 0.2, 0.8, 0.9], [0, 0, 0, 0], False),
    ],
    ids=["separated", "separated upside down", "touching", "one forecast", "one after clipping", "all", "none"],
)
def test_what_cannot_be_had_is_no_number(p: list[float], y: list[int], large: bool) -> None:
    counts, x = of(p, y)
    intercept, slope = joint_model(counts, x)
    assert np.isnan(intercept)
    assert not np.isfinite(slope)
    assert np.isfinite(calibration_in_the_large(counts, x)) == large


def test_separation_has_a_direction() -> None:
    x = np.array([0.0, 1.0, 2.0])
    trials = np.array([[1.0, 2, 1]] * 3)
    events = np.array([[0.0, 1, 1], [1.0, 1, 0], [1.0, 1, 1]])
    assert separation(Counts(x, trials, events), x).tolist() == [1.0, -1.0, 0.0]
    assert np.isposinf(joint_model(Counts(x, trials, events), x)[1][0])


def test_a_prior_keeps_a_separated_fit_finite() -> None:
    x = np.array([-1.0, 1.0])
    counts = Counts(x, np.array([5.0, 5.0]), np.array([0.0, 5.0]))
    design = np.column_stack([np.ones(2), x])
    beta = fit_each(counts.trials, counts.events, design, precision=np.array([0.0, 1 / 25]))
    mu = 1 / (1 + np.exp(-design @ beta))
    assert np.allclose(design.T @ (counts.events - counts.trials * mu), beta * [0, 1 / 25], atol=1e-9)


def test_two_forecasts_alone_give_the_slope_through_both() -> None:
    """With as many forecasts as coefficients nothing is left over, and no warning either."""
    p, trials, events = np.array([0.25, 0.5]), np.array([7.0, 9.0]), np.array([2.0, 6.0])
    seen = np.log(events / (trials - events))
    slope = recalibrate(Counts(p, trials, events), logit(p, 0.005))[1]
    assert slope == pytest.approx((seen[1] - seen[0]) / np.log(3), rel=1e-8)

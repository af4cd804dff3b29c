"""Calibration in the large and calibration slope against statsmodels, and where they cannot be had."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from examtally.analytics.calibration.forecasts import Counts, Forecasts
from examtally.analytics.calibration.recalibration import joint_model, logit, recalibrate, separation
from examtally.analytics.logistic import fit_each


def rows(seed: int, n: int = 300, slope: float = 0.6) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    p = np.round(rng.beta(1, 2, n), 2)
    true = 1 / (1 + np.exp(0.3 - slope * logit(p, 0.005)))
    return p, (rng.random(n) < true).astype(float)


@pytest.mark.parametrize("seed", range(4))
def test_agrees_with_statsmodels(seed: int) -> None:
    p, y = rows(seed)
    x = logit(p, 0.005)
    fit = recalibrate(p, y)
    joint = sm.Logit(y, sm.add_constant(x)).fit(disp=0, tol=1e-12)
    large = sm.GLM(y, np.ones((y.size, 1)), family=sm.families.Binomial(), offset=x).fit(tol=1e-12)
    assert [fit.joint_intercept, fit.slope] == pytest.approx(joint.params, abs=1e-7)
    assert fit.in_the_large == pytest.approx(large.params[0], abs=1e-7)


def test_many_resamples_at_once_equal_one_at_a_time() -> None:
    forecasts = Forecasts.of(*rows(9))
    rng = np.random.default_rng(5)
    weights = rng.poisson(1.0, (40, forecasts.n)).astype(float)
    counts = Counts(forecasts.values, forecasts.by_value(weights), forecasts.by_value(weights * forecasts.outcome))
    intercepts, slopes = joint_model(counts, logit(counts.values, 0.005))
    for weight, intercept, slope in zip(weights, intercepts, slopes, strict=True):
        repeated = weight.astype(int)
        one = recalibrate(np.repeat(forecasts.probability, repeated), np.repeat(forecasts.outcome, repeated))
        assert (intercept, slope) == pytest.approx((one.joint_intercept, one.slope), abs=1e-8)


def test_swapping_the_outcome_with_the_complement_turns_the_intercept_and_keeps_the_slope() -> None:
    p, y = rows(2)
    there, back = recalibrate(p, y), recalibrate(1 - p, 1 - y)
    assert back.slope == pytest.approx(there.slope, abs=1e-10)
    assert back.in_the_large == pytest.approx(-there.in_the_large, abs=1e-10)


def test_stated_certainty_is_clipped() -> None:
    p, y = rows(3)
    assert recalibrate(np.where(p < 0.1, 0.0, p), y) == recalibrate(np.where(p < 0.1, 0.005, p), y)


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
def test_what_cannot_be_had_is_not_a_number(p: list[float], y: list[int], large: bool) -> None:
    fit = recalibrate(p, y)
    assert np.isnan(fit.slope)
    assert np.isnan(fit.joint_intercept)
    assert np.isfinite(fit.in_the_large) == large


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

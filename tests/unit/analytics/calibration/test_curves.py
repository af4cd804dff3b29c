"""Reliability curves, their bands and the counts beneath."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit

from examtally.analytics.calibration.curves import forecast_counts, isotonic_curve, spline_curve
from examtally.analytics.calibration.forecasts import Forecasts
from examtally.analytics.calibration.measures import Resamples, Resampling
from examtally.analytics.calibration.recalibration import logit


def drawn(seed: int, n: int = 400, slope: float = 1.0, digits: int = 1, draws: int = 500) -> Resamples:
    rng = np.random.default_rng(seed)
    p = np.round(rng.beta(1.5, 2, n), digits)
    y = rng.random(n) < expit(slope * logit(p, 0.005))
    return Resamples.of(Forecasts.of(p, y, rng.integers(0, n, n)), Resampling(draws, seed))


def test_isotonic_curve_stands_at_the_stated_values_and_averages_to_the_share_of_events() -> None:
    resamples = drawn(1)
    curve = isotonic_curve(resamples)
    assert curve.predicted.tolist() == resamples.forecasts.values.tolist()
    assert np.all(np.diff(curve.observed) >= 0)
    assert (curve.n * curve.observed).sum() == pytest.approx(resamples.forecasts.events)
    assert np.all(curve.band_low <= curve.band_high)


def test_finer_forecasts_are_gathered_to_hundredths() -> None:
    curve = isotonic_curve(drawn(2, digits=4))
    assert curve.predicted.size <= 101
    assert np.array_equal(curve.predicted, np.round(curve.predicted, 2))
    assert curve.n.sum() == 400


def test_consistency_band_holds_the_curve_of_perfect_forecasts() -> None:
    inside = []
    for seed in range(60):
        curve = isotonic_curve(drawn(seed, 300, draws=200))
        inside.append(np.mean((curve.band_low <= curve.observed) & (curve.observed <= curve.band_high)))
    assert np.mean(inside) == pytest.approx(0.96, abs=0.025)


def test_consistency_band_leaves_over_confident_forecasts_outside() -> None:
    curve = isotonic_curve(drawn(3, 3000, slope=0.3))
    outside = (curve.observed < curve.band_low) | (curve.observed > curve.band_high)
    assert outside.sum() >= 5


def test_spline_band_covers_the_planted_curve() -> None:
    inside = []
    for seed in range(60):
        curve = spline_curve(drawn(seed, 400, slope=0.6, draws=200))
        assert curve is not None
        true = expit(0.6 * logit(curve.predicted, 0.005))
        inside.append(np.mean((curve.band_low <= true) & (true <= curve.band_high)))
    assert np.mean(inside) == pytest.approx(0.94, abs=0.03)


def test_spline_stays_within_the_range_of_the_forecasts() -> None:
    forecasts = Forecasts.of([0.13, 0.35, 0.35, 0.61] * 10, ([0, 0, 1, 1] * 5) + ([0, 1, 1, 0] * 5))
    curve = spline_curve(Resamples.of(forecasts, Resampling()))
    assert curve is not None
    assert (curve.predicted[0], curve.predicted[-1]) == (0.13, 0.61)
    assert curve.predicted[1:4].tolist() == [0.14, 0.16, 0.18]


def test_one_forecast_has_no_spline() -> None:
    assert spline_curve(Resamples.of(Forecasts.of([0.4] * 30, [0, 1] * 15), Resampling())) is None


def test_counts_fall_into_bins_about_round_numbers_and_lose_no_one() -> None:
    curve = forecast_counts(Forecasts.of([0.0, 0.01, 0.1, 0.11, 0.5, 0.98, 1.0], [0] * 7))
    assert dict(zip(curve.predicted.tolist(), curve.n.tolist(), strict=True)) == {0: 2, 0.1: 2, 0.5: 1, 1: 2}


def test_counts_mirror_with_the_complement() -> None:
    p = np.round(np.random.default_rng(1).random(500), 3)
    there, back = forecast_counts(Forecasts.of(p, p > 2)), forecast_counts(Forecasts.of(1 - p, p > 2))
    assert np.allclose(there.predicted, 1 - back.predicted[::-1])
    assert np.array_equal(there.n, back.n[::-1])

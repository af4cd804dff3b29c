"""Resamples of participants and the limits read from them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm, t

from examtally.analytics.calibration.forecasts import Forecasts
from examtally.analytics.calibration.resampling import (
    calibrated_outcomes,
    participant_weights,
    percentile_limits,
    residual_correlation,
)


def test_rows_of_a_participant_enter_together() -> None:
    who = np.array([0, 1, 1, 2, 3, 3, 3])
    weights = participant_weights(who, 4000, np.random.default_rng(1))
    assert np.array_equal(weights[:, 1], weights[:, 2])
    assert np.array_equal(weights[:, 4], weights[:, 6])
    first = weights[:, [0, 1, 3, 4]]
    assert np.all(first.sum(axis=1) == 4)
    assert first.mean(axis=0) == pytest.approx(1, abs=0.06)
    assert first.var(axis=0) == pytest.approx(1 - 1 / 4, abs=0.06)


def test_redrawn_outcomes_keep_their_probability_and_the_correlation_within_people() -> None:
    who = np.repeat(np.arange(400), 2)
    forecasts = Forecasts.of(np.full(800, 0.3), np.zeros(800), who)
    drawn = calibrated_outcomes(forecasts, 0.4, 500, np.random.default_rng(2)).astype(float)
    assert drawn.mean() == pytest.approx(0.3, abs=0.005)
    pairs = drawn.reshape(500, 400, 2) - 0.3
    assert (pairs[..., 0] * pairs[..., 1]).mean() / 0.21 == pytest.approx(0.4, abs=0.02)


def test_correlation_within_people_is_recovered() -> None:
    rng = np.random.default_rng(3)
    who = np.repeat(np.arange(3000), 2)
    p = np.round(rng.uniform(0.2, 0.8, 6000), 1)
    shared = rng.random(3000)[who]
    u = np.where(rng.random(6000) < np.sqrt(0.5), shared, rng.random(6000))
    forecasts = Forecasts.of(p, u < p, who)
    assert residual_correlation(forecasts, forecasts.probability) == pytest.approx(0.5, abs=0.08)


def test_no_pairs_or_opposite_pairs_count_as_no_correlation() -> None:
    alone = Forecasts.of([0.2, 0.6, 0.6], [0, 1, 0])
    assert residual_correlation(alone, alone.probability) == 0.0
    opposite = Forecasts.of([0.5] * 4, [0, 1, 1, 0], [1, 1, 2, 2])
    assert residual_correlation(opposite, opposite.probability) == 0.0


def test_limits_are_quantiles_moved_outwards_for_few_participants() -> None:
    draws = norm.ppf((np.arange(100_000) + 0.5) / 100_000)
    low, high = percentile_limits(draws, 0.95, 10)
    reach = np.sqrt(10 / 9) * t.ppf(0.975, 9)
    assert (low, high) == pytest.approx((-reach, reach), abs=1e-3)


def test_limits_widen_with_the_level() -> None:
    draws = np.random.default_rng(4).normal(size=500)
    wide, narrow = percentile_limits(draws, 0.95, 50), percentile_limits(draws, 0.8, 50)
    assert wide[0] < narrow[0] < narrow[1] < wide[1]


def test_a_limit_among_infinite_values_is_missing_and_the_other_kept() -> None:
    draws = np.concatenate([np.linspace(0, 1, 450), np.full(50, np.inf)])
    low, high = percentile_limits(draws, 0.95, 50)
    assert np.isnan(high)
    assert 0 < low < 0.1


@pytest.mark.parametrize(("missing", "given"), [(40, True), (60, False), (500, False)])
def test_limits_need_nine_in_ten_resamples(missing: int, given: bool) -> None:
    draws = np.linspace(0, 1, 500)
    draws[:missing] = np.nan
    assert bool(np.isfinite(percentile_limits(draws, 0.95, 50)).all()) == given

"""Resamples of participants and the limits read from them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.stats import norm, t

from examtally.analytics.calibration import resampling
from examtally.analytics.calibration.forecasts import Counts, Forecasts
from examtally.analytics.calibration.resampling import (
    bootstrap,
    calibrated,
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


@pytest.mark.parametrize("make", [bootstrap, lambda *given: calibrated(given[0], 0.5, *given[1:])])
@pytest.mark.parametrize("repeated", [0, 120])
def test_counts_drawn_at_once_vary_as_those_of_rows(
    make: Callable[..., Counts], repeated: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same means, variances and covariances, with and without people who have several rows."""
    rng = np.random.default_rng(6)
    who = np.r_[np.arange(200), rng.integers(200, 240, repeated)]
    p = rng.choice([0.1, 0.3, 0.6, 0.9], who.size)
    forecasts = Forecasts.of(p, rng.random(who.size) < p, who)
    moments = []
    for many in (1_000, 0):
        monkeypatch.setattr(resampling, "_MANY", many)
        counts = make(forecasts, 6_000, np.random.default_rng(many))
        drawn = np.concatenate([counts.trials, counts.events], axis=1)
        assert (counts.events <= counts.trials).all()
        moments.append((drawn.mean(axis=0), np.cov(drawn.T)))
    (mean, covariance), (other_mean, other) = moments
    spread = np.sqrt(np.diag(covariance))
    assert other_mean == pytest.approx(mean, abs=0.08 * spread.max())
    assert other == pytest.approx(covariance, abs=0.08 * spread.max() ** 2)


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

"""The isotonic recalibration and the parts of the Brier score."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.isotonic import isotonic_regression

from examtally.analytics.calibration.forecasts import Counts, Forecasts
from examtally.analytics.calibration.reliability import decompose, isotonic

ROWS = st.lists(st.tuples(st.integers(0, 20), st.booleans()), min_size=1, max_size=80)


class Parts(NamedTuple):
    brier: float
    miscalibration: float
    discrimination: float
    uncertainty: float


def brier_parts(p: npt.ArrayLike, y: npt.ArrayLike) -> Parts:
    return Parts(*(float(part) for part in decompose(Forecasts.of(p, y).counts)))


def arrays(pairs: list[tuple[int, bool]]) -> tuple[np.ndarray, np.ndarray]:
    return np.array([k for k, _ in pairs]) / 20, np.array([float(b) for _, b in pairs])


def test_two_values_by_hand() -> None:
    # 0.2 four times with one event, 0.6 four times with three: recalibrated 0.25 and 0.75, overall 0.5
    parts = brier_parts([0.2] * 4 + [0.6] * 4, [1, 0, 0, 0, 1, 1, 1, 0])
    assert parts.brier == pytest.approx((0.64 + 3 * 0.04 + 3 * 0.16 + 0.36) / 8, abs=1e-15)
    assert parts.miscalibration == pytest.approx((0.05**2 + 0.15**2) / 2, abs=1e-15)
    assert parts.discrimination == pytest.approx(0.25**2, abs=1e-15)
    assert parts.uncertainty == pytest.approx(0.25, abs=1e-15)


def test_wrong_way_round_leaves_no_discrimination() -> None:
    parts = brier_parts([0.2] * 4 + [0.6] * 4, [1, 1, 1, 0, 1, 0, 0, 0])
    assert parts.discrimination == pytest.approx(0.0, abs=1e-15)
    assert parts.uncertainty == 0.25


@given(ROWS)
def test_parts_add_up_and_none_is_negative(pairs: list[tuple[int, bool]]) -> None:
    parts = brier_parts(*arrays(pairs))
    assert parts.miscalibration - parts.discrimination + parts.uncertainty == pytest.approx(parts.brier, abs=1e-14)
    assert min(parts.miscalibration, parts.discrimination, parts.uncertainty) >= -1e-14


@given(ROWS)
def test_swapping_the_outcome_with_the_complement_keeps_every_part(pairs: list[tuple[int, bool]]) -> None:
    p, y = arrays(pairs)
    assert np.allclose(brier_parts(1 - p, 1 - y), brier_parts(p, y), atol=1e-14)


@pytest.mark.parametrize("seed", range(4))
def test_many_resamples_at_once_equal_one_at_a_time_by_scikit_learn(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = np.sort(rng.random(25))
    trials = rng.integers(0, 6, (300, 25)).astype(float)
    trials[:, 0] = 1
    events = np.floor(rng.random((300, 25)) * (trials + 1))
    together = isotonic(Counts(values, trials, events))
    for row, n, x in zip(together, trials, events, strict=True):
        seen = n > 0
        expected = isotonic_regression(x[seen] / n[seen], sample_weight=n[seen], y_min=0, y_max=1)
        assert np.allclose(row[seen], expected, atol=1e-10)
        assert np.all(np.diff(row) >= -1e-12)


def test_values_without_rows_take_the_fit_below_else_above() -> None:
    counts = Counts(np.array([0.1, 0.2, 0.3, 0.4]), np.array([[0.0, 2, 0, 2]]), np.array([[0.0, 1, 0, 2]]))
    assert isotonic(counts).tolist() == [[0.5, 0.5, 0.5, 1.0]]


def test_weights_are_repeated_rows() -> None:
    p, y = np.array([0.1, 0.4, 0.4, 0.8]), np.array([0, 1, 0, 1])
    times = np.array([2, 1, 3, 1])
    forecasts = Forecasts.of(p, y)
    weighted = Counts(forecasts.values, forecasts.by_value(np.array([2, 3, 1, 1])), np.array([0.0, 1, 1]))
    repeated = brier_parts(np.repeat(p, times), np.repeat(y, times))
    assert np.allclose(decompose(weighted), repeated, atol=1e-15)

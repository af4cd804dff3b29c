"""Scores of stated probabilities against printed examples, an independent library and their own symmetries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import brier_score_loss, log_loss, roc_auc_score

from examtally.analytics.calibration.forecasts import Forecasts
from examtally.analytics.calibration.scores import auc, brier, logarithmic

CLIP = 0.005
FIVE = [0.9, 0.8, 0.3, 0.1, 0.6], [1, 1, 0, 0, 0]


def area_under_curve(p: np.ndarray | list[float], y: np.ndarray | list[int]) -> float:
    return float(auc(Forecasts.of(p, y).counts))


def brier_score(p: np.ndarray | list[float], y: np.ndarray | list[int]) -> float:
    return float(brier(Forecasts.of(p, y).counts))


def log_score(p: np.ndarray | list[float], y: np.ndarray | list[int], clip: float = CLIP) -> float:
    return float(logarithmic(Forecasts.of(p, y).counts, clip))


def rows(seed: int, n: int = 200) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    p = np.round(rng.beta(1, 2, n), 1)
    return p, (rng.random(n) < p).astype(float)


def test_five_forecasts_by_hand() -> None:
    # squared distances 0.01, 0.04, 0.09, 0.01 and 0.36; their mean
    assert brier_score(*FIVE) == pytest.approx(0.102, abs=1e-12)


def test_ordinal_ratings_of_109_scans() -> None:
    # Hanley & McNeil, Radiology 1982;143:29–36, table I: area 0.893
    normal, abnormal = [33, 6, 6, 11, 2], [3, 2, 2, 11, 33]
    rating = np.array([0.1, 0.3, 0.5, 0.7, 0.9])
    p = np.concatenate([np.repeat(rating, normal), np.repeat(rating, abnormal)])
    y = np.repeat([0, 1], [sum(normal), sum(abnormal)])
    assert area_under_curve(p, y) == pytest.approx(0.8931710615280595, abs=1e-12)


def test_two_ratings_give_half_of_sensitivity_plus_specificity() -> None:
    p = np.array([1, 1, 2, 2, 1, 2, 2, 2]) / 3
    assert area_under_curve(p, [0, 0, 0, 0, 1, 1, 1, 1]) == pytest.approx((0.75 + 0.5) / 2, abs=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_agrees_with_scikit_learn(seed: int) -> None:
    p, y = rows(seed)
    assert brier_score(p, y) == pytest.approx(brier_score_loss(y, p), abs=1e-12)
    assert area_under_curve(p, y) == pytest.approx(roc_auc_score(y, p), abs=1e-12)
    clipped = np.clip(p, CLIP, 1 - CLIP)
    assert log_score(p, y) == pytest.approx(log_loss(y, clipped), abs=1e-12)


@given(st.lists(st.tuples(st.integers(0, 20), st.booleans()), min_size=1, max_size=60))
def test_swapping_the_outcome_with_the_complement_changes_nothing(pairs: list[tuple[int, bool]]) -> None:
    p, y = np.array([k for k, _ in pairs]) / 20, np.array([float(b) for _, b in pairs])
    assert brier_score(1 - p, 1 - y) == pytest.approx(brier_score(p, y), abs=1e-12)
    assert log_score(1 - p, 1 - y) == pytest.approx(log_score(p, y), rel=1e-12)
    assert area_under_curve(1 - p, 1 - y) == pytest.approx(area_under_curve(p, y), abs=1e-12, nan_ok=True)


def test_an_area_below_one_half_is_not_turned_round() -> None:
    assert area_under_curve([0.9, 0.8, 0.1], [0, 0, 1]) == 0.0


def test_what_cannot_be_had_is_not_a_number() -> None:
    assert np.isnan(area_under_curve([0.2, 0.7], [1, 1]))
    assert np.isnan(brier_score([], []))
    assert log_score([0.0], [1], clip=0.0) == np.inf


@pytest.mark.parametrize(
    ("p", "y"), [([1.2], [1]), ([0.3], [2]), ([np.nan], [1]), ([0.3], [np.nan]), ([0.3, 0.4], [1]), ([[0.3]], [[1]])]
)
def test_refuses_what_is_no_forecast(p: list[float], y: list[float]) -> None:
    with pytest.raises(ValueError, match="must"):
        brier_score(p, y)

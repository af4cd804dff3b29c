"""Degrees of knees with the condition: grades that are right, grades that are wrong, and none at all."""

from __future__ import annotations

import numpy as np
import pytest

from examtally.analytics.bias_adjusted.severity import _draw_degrees, _Entries

KNEES, DRAWS, SEED = 600, 40, 3
SENSITIVITY = np.array([0.5, 0.9])


def shares(*, graded: float, trusted: float, right: float) -> np.ndarray:
    """Sensitivity by degree as drawn, of knees of whom a share was graded, likelier after a positive finding."""
    rng = np.random.default_rng(SEED)
    degree = (rng.random(KNEES) < 0.6).astype(np.int64)
    positive = rng.random(KNEES) < SENSITIVITY[degree]
    is_graded = rng.random(KNEES) < np.where(positive, graded, 0.6 * graded)
    read = np.where(rng.random(KNEES) < right, degree, (rng.random(KNEES) < 0.6).astype(np.int64))
    is_trusted = rng.random(KNEES) < trusted
    knee, draw = np.nonzero(np.ones((KNEES, DRAWS)))
    entries = _Entries(knee, draw, np.where(is_trusted, degree, -1)[knee], np.where(is_graded, read, -1)[knee])
    drawn = _draw_degrees(entries, positive.astype(np.int64)[knee], DRAWS, 2, np.random.default_rng(1))
    return np.array([positive[knee[drawn == place]].mean() for place in (0, 1)])


def test_grades_that_are_right_are_taken_as_they_are() -> None:
    assert shares(graded=0.0, trusted=1.0, right=1.0) == pytest.approx(SENSITIVITY, abs=0.06)


def test_knees_without_a_grade_follow_those_alike_in_the_finding() -> None:
    assert shares(graded=0.0, trusted=0.5, right=1.0) == pytest.approx(SENSITIVITY, abs=0.08)


def test_wrong_grades_are_allowed_for() -> None:
    corrected = shares(graded=1.0, trusted=0.3, right=0.6)
    rng = np.random.default_rng(SEED)
    degree = (rng.random(KNEES) < 0.6).astype(np.int64)
    positive = rng.random(KNEES) < SENSITIVITY[degree]
    rng.random(KNEES)
    read = np.where(rng.random(KNEES) < 0.6, degree, (rng.random(KNEES) < 0.6).astype(np.int64))
    as_read = np.array([positive[read == place].mean() for place in (0, 1)])
    assert as_read[1] - as_read[0] < 0.3
    assert corrected == pytest.approx(SENSITIVITY, abs=0.08)

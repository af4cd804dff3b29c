"""Degrees of knees with the condition: grades that are right, grades that are wrong, and none at all."""

from __future__ import annotations

import numpy as np
import pytest

from examtally.analytics.bias_adjusted.between_groups import of_degrees
from examtally.analytics.bias_adjusted.figures import Summary, summary
from examtally.analytics.bias_adjusted.severity import BySeverity, _draw_degrees, _Entries

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
    grades = np.where(is_trusted, degree, -1)[knee], np.where(is_graded, read, -1)[knee]
    entries = _Entries(knee, draw, *grades, np.ones(knee.size, np.float32))
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


def degree(name: str, drawn: np.ndarray, reason: str | None = None) -> BySeverity:
    figure = summary(drawn, 0.95) if reason is None else Summary(None, None, None)
    return BySeverity("acl_tear", "lachman", name, figure, drawn, 30, 20, 30, is_assumed=False, reason=reason)


def test_two_degrees_are_set_against_each_other_draw_by_draw() -> None:
    common = np.random.default_rng(5).normal(0.6, 0.1, 400)  # what both share leaves their difference
    found = {("acl_tear", "lachman", one.degree): one for one in (degree("a", common), degree("b", common + 0.2))}
    row = of_degrees(found, ("acl_tear", "lachman"), ("a", "b"), 0.95)
    values = [row[name] for name in ("estimate_a", "difference", "ci_low", "ci_high")]
    assert values == pytest.approx([np.median(common), -0.2, -0.2, -0.2], abs=0.01)


def test_a_degree_that_is_withheld_withholds_the_difference() -> None:
    one, other = degree("a", np.full(400, 0.6)), degree("b", np.full(400, 0.8), "Too few.")
    found = {("acl_tear", "lachman", each.degree): each for each in (one, other)}
    row = of_degrees(found, ("acl_tear", "lachman"), ("a", "b"), 0.95)
    assert (row["difference"], row["estimate_a"], row["flag"], row["note"]) == (None, None, "withheld", "Too few.")

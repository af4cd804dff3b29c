"""Limits that also hold the uncertainty of the reference's own accuracy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit, logit

from examtally.analytics.imperfect_reference.correction import (
    Reference,
    correct_for_reference,
    correct_for_uncertain_reference,
)

CELLS = np.array([240.0, 60.0, 45.0, 480.0])
MEASURES = ("sensitivity", "specificity", "prevalence", "lr_positive", "lr_negative")


def test_a_reference_that_is_known_gives_the_limits_of_a_known_one() -> None:
    known = correct_for_reference(CELLS, Reference(0.87, 0.93))
    found = correct_for_uncertain_reference(CELLS, 0.87, 0.93, np.zeros((2, 2)))
    for measure in MEASURES:
        assert found.estimates[measure] == pytest.approx(known.estimates[measure])
        assert found.limits[measure].low == pytest.approx(known.limits[measure].low)
        assert found.limits[measure].high == pytest.approx(known.limits[measure].high)


def test_the_reference_adds_the_variance_that_drawing_it_gives() -> None:
    spread = np.array([[0.04, 0.01], [0.01, 0.02]]) / 100  # small, for the delta method is a straight line
    drawn = expit(np.random.default_rng(3).multivariate_normal(logit([0.87, 0.93]), spread, 200_000))
    many = correct_for_reference(np.tile(CELLS, (len(drawn), 1)), Reference(*drawn.T))
    found = correct_for_uncertain_reference(CELLS, 0.87, 0.93, spread, np.zeros((4, 4)))
    for measure in MEASURES:
        scale = np.log if measure.startswith("lr") else logit
        values = scale(many.estimates[measure][many.compatible])
        half = (scale(found.limits[measure].high) - scale(found.limits[measure].low)).item() / 2
        assert half / 1.96 == pytest.approx(values.std(), rel=0.03)


def test_what_is_incompatible_has_no_limits() -> None:
    found = correct_for_uncertain_reference([300, 5, 2, 5], 0.87, 0.93, np.eye(2) * 0.01)
    assert not found.compatible[0]
    assert np.isnan(found.limits["sensitivity"].low).all()

"""Bayes' theorem on the odds scale; Altman DG, Bland JM. BMJ 1994;309:102: post-test odds = pre-test odds × ratio."""

from __future__ import annotations

import pytest

from examtally.reporting.audit.suspicion import after, post_test_cell, post_test_text
from examtally.reporting.engine.estimate import Estimate


def ratio(value: float | None, low: float | None, high: float | None, *, shown: bool = True) -> Estimate:
    return Estimate("lr_positive", value, low, high, 40, 90, 80, shown=shown, note="")


def test_a_ratio_of_five_makes_thirty_percent_sixty_eight() -> None:
    """Odds 3/7 × 5 = 15/7, a probability of 15/22."""
    assert after(5) == pytest.approx(15 / 22)


def test_a_ratio_of_one_changes_nothing() -> None:
    assert after(1.0) == pytest.approx(0.3)


def test_limits_stand_beside_it() -> None:
    assert post_test_text(ratio(5, 2, 10)) == "68% (46–81%)"
    assert post_test_cell(ratio(5, 2, 10)) == "68%\n46–81%"


def test_an_infinite_ratio_leaves_its_lower_limit() -> None:
    assert post_test_text(ratio(None, 4.0, None)) == "more than 63%"


def test_nothing_is_made_of_too_few() -> None:
    few = ratio(5, 2, 10, shown=False)
    assert post_test_text(few) == ""
    assert post_test_cell(few) == "too few"

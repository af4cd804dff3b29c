"""Charts followed where the order within a period is unknown."""

from __future__ import annotations

import numpy as np
import pytest
from cusum_path import path
from one_set import follow

from examtally.analytics.learning_curves.cusum import design
from examtally.analytics.learning_curves.followed import follow_all

LEARN = design(0.2, 0.4, 60, 0.05)
KEEP = design(0.2, 0.4, 60, 0.05, is_monitoring=True)
SHORT = design(0.2, 0.4, 10, 0.05)


def _cases(number: int, p_failure: float = 0.2, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    draw = np.random.default_rng(seed)
    return draw.random(number) < p_failure, draw.integers(0, 9, number)


def test_a_known_order_is_the_plain_path_until_its_signal_and_then_the_other_chart_begins() -> None:
    failed = np.r_[np.zeros(20, dtype=bool), np.ones(20, dtype=bool)]
    course = follow(failed, np.arange(40), LEARN, KEEP)
    assert course.score[:15] == pytest.approx(path(failed[:15], LEARN.weights))
    assert np.flatnonzero(course.is_signal).tolist() == [14, 25], "0.288 a success, then 0.693 a failure"
    assert course.score[15:26] == pytest.approx(path(failed[15:26], KEEP.weights))
    assert course.is_keeping.tolist() == [False] * 15 + [True] * 11 + [False] * 14
    assert course.score[26:].max() == 0.0
    assert course.share_signalled[[13, 14, 15, 25, 26]].tolist() == [0, 1, 0, 1, 0]


def test_a_period_ends_where_its_cases_end_whatever_their_order() -> None:
    """All of a period's failures are drawn by its end, so with one case a period left nothing is uncertain."""
    failed, period = np.array([True, False, False, False, True]), np.array([0, 0, 0, 0, 0])
    orders = np.array([follow(failed, period, LEARN, KEEP, orders=1, seed=seed).score for seed in range(400)])
    steps = np.diff(orders, axis=1, prepend=0.0)
    successes = np.isclose(steps, LEARN.weights.success)
    assert (successes.sum(axis=1) == 3).all()
    assert np.abs(successes.mean(axis=0) - 0.6).max() < 0.1, "each place is as likely to be a success"


def test_the_order_of_rows_is_nothing() -> None:
    failed, period = _cases(80)
    course = follow(failed, period, LEARN, KEEP, seed=5)
    mixed = np.random.default_rng(9).permutation(80)
    other = follow(failed[mixed], period[mixed], LEARN, KEEP, seed=5)
    assert np.array_equal(course.score, other.score)
    assert np.array_equal(course.share_signalled, other.share_signalled)


def test_later_periods_and_other_people_change_nothing_that_stands() -> None:
    failed, period = _cases(80)
    course = follow(failed, period, LEARN, KEEP)
    early = period < 6
    assert np.array_equal(follow(failed[early], period[early], LEARN, KEEP).score, course.score[: early.sum()])
    others, times = _cases(200, seed=8)
    chart = np.r_[np.full(80, 1), np.repeat([0, 2], 100)]
    both = follow_all(chart, np.r_[period, times], np.r_[failed, others], LEARN, KEEP)
    assert np.array_equal(both.score[100:180], course.score)
    assert np.array_equal(both.is_signal[100:180], course.is_signal)


def test_a_seed_gives_one_course_and_another_seed_another() -> None:
    failed, period = _cases(80)
    scores = [follow(failed, period, LEARN, KEEP, orders=3, seed=seed).score for seed in (1, 1, 2)]
    assert np.array_equal(scores[0], scores[1])
    assert not np.array_equal(scores[0], scores[2])


def test_without_a_limit_the_score_is_followed_and_never_signals() -> None:
    assert SHORT.limit is None
    course = follow(np.zeros(300, dtype=bool), np.arange(300), SHORT, KEEP)
    assert not course.is_signal.any()
    assert course.score[-1] == pytest.approx(300 * SHORT.weights.success)
    assert course.share_signalled.max() == 0


def test_no_case_is_no_course() -> None:
    course = follow(np.empty(0, dtype=bool), np.empty(0, dtype=np.int64), LEARN, KEEP)
    assert course.score.size == course.is_signal.size == 0


def test_arrays_that_do_not_match_and_no_order_are_refused() -> None:
    failed, period = _cases(10)
    with pytest.raises(ValueError, match="one length"):
        follow(failed[:9], period, LEARN, KEEP)
    with pytest.raises(ValueError, match="orders"):
        follow(failed, period, LEARN, KEEP, orders=0)

"""Differences within examiners: against a fit with a level for each examiner, and the jackknife done one by one."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from examtally.analytics.change.within import change_power, contrast, solve, sums_within


def _knees(seed: int, examiners: int = 8, n: int = 400) -> tuple[np.ndarray, ...]:
    draw = np.random.default_rng(seed)
    examiner = draw.integers(0, examiners, n)
    after = draw.integers(0, 2, n).astype(float)
    acute = draw.random(n) < 0.3 + 0.3 * after
    y = (draw.random(n) < 0.5 + 0.05 * examiner / examiners + 0.1 * after + 0.2 * acute).astype(float)
    return np.column_stack([after, acute]).astype(float), y, draw.random(n), examiner


def test_the_coefficients_are_those_of_a_fit_with_a_level_for_each_examiner() -> None:
    x, y, weight, examiner = _knees(1)
    levels = (examiner[:, None] == np.arange(8)).astype(float)
    expected = sm.WLS(y, np.column_stack([x, levels]), weights=weight).fit().params[:2]
    assert solve(sums_within(x, y, weight, examiner, 8)) == pytest.approx(expected)


def test_with_one_column_the_variance_is_the_bias_reduced_one() -> None:
    x, y, weight, examiner = _knees(2)
    x = x[:, :1]
    theta = solve(sums_within(x, y, weight, examiner, 8))[0]
    told, left = np.zeros(8), np.zeros(8)
    for one in range(8):
        own = examiner == one
        after = x[own, 0] - np.average(x[own, 0], weights=weight[own])
        told[one] = (weight[own] * after**2).sum()
        left[one] = (weight[own] * after * (y[own] - np.average(y[own], weights=weight[own]) - theta * after)).sum()
    expected = (left**2 / (1 - told / told.sum())).sum() / told.sum() ** 2
    found = contrast(sums_within(x, y, weight, examiner, 8), 0, 1)
    assert found.variance == pytest.approx(expected)
    assert 5 < found.df <= 7
    low, high = found.limits(0.95)
    assert low < found.value < high
    assert found.widened(0.01).variance == pytest.approx(expected + 0.01)
    assert found.widened(0.01).df > found.df


def test_two_examiners_tell_nothing_and_one_who_examines_all_tells_little() -> None:
    x, y, weight, examiner = _knees(3, examiners=2)
    assert np.isnan(contrast(sums_within(x, y, weight, examiner, 2), 0, 1).variance)
    x, y, weight, examiner = _knees(4)
    heavy = np.where(examiner == 0, 1000 * weight, weight)
    assert np.isnan(contrast(sums_within(x, y, heavy, examiner, 8), 0, 1).p_value)


def test_examiners_of_one_side_alone_do_not_count_as_clusters() -> None:
    x, y, weight, examiner = _knees(5)
    x[examiner >= 4, 0] = 0.0
    with_all = contrast(sums_within(x[:, :1], y, weight, examiner, 8), 0, 1)
    kept = examiner < 4
    alone = contrast(sums_within(x[kept, :1], y[kept], weight[kept], examiner[kept], 8), 0, 1)
    assert with_all == alone


def test_power_rises_with_knees_and_is_the_level_where_nothing_changes() -> None:
    powers = [change_power(0.7, 0.15, 10, knees) for knees in (5, 20, 80)]
    assert powers == sorted(powers)
    assert change_power(0.7, 1e-9, 10, 20) == pytest.approx(0.05, abs=1e-3)


@pytest.mark.parametrize(
    ("given", "words"),
    [((0.9, 0.2, 10, 20), "before"), ((0.5, 0.1, 2, 20), "examiners"), ((0.5, 0.1, 10, 0), "knees")],
)
def test_a_plan_that_cannot_be_is_refused(given: tuple[float, float, int, int], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        change_power(*given)

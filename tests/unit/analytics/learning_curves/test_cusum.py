"""Charts of learning: weights, paths, and the exact probabilities of a signal."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from cusum_path import first_signal, path

from examtally.analytics.learning_curves.cusum import (
    Weights,
    cusum_weights,
    design,
    lccusum_weights,
    signal_probability,
)


def test_success_pushes_the_learning_curve_up_and_failure_back_to_nothing() -> None:
    """Biau & Porcher 2010: log(0.9/0.75) a success; failures at cases 3 and 9 of 30."""
    failures = np.isin(np.arange(1, 31), [3, 9])
    scores = path(failures, lccusum_weights(0.10, 0.25))
    step = 0.1823215567939546
    assert scores[:9] == pytest.approx([step, 2 * step, 0, step, 2 * step, 3 * step, 4 * step, 5 * step, 0], abs=1e-9)
    assert scores[9:] == pytest.approx([(number + 1) * step for number in range(21)], abs=1e-10)
    assert first_signal(scores, 1.25) == 16
    assert first_signal(scores, 21 * step) == 30
    assert first_signal(scores, 21.1 * step) is None


def test_many_orders_are_followed_at_once() -> None:
    weights = cusum_weights(0.1, 0.25)
    orders = np.random.default_rng(3).random((5, 40)) < 0.3
    assert np.array_equal(path(orders, weights), np.array([path(order, weights) for order in orders]))


@pytest.mark.parametrize(("unacceptable", "false"), [(0.20, 0.65), (0.25, 0.89)])
def test_a_low_limit_declares_competence_falsely_more_often_than_not(unacceptable: float, false: float) -> None:
    """A limit of 1.25, as often quoted, over 50 cases at 0.10 against 0.20 and 0.25."""
    weights = lccusum_weights(0.1, unacceptable)
    assert signal_probability(weights, 1.25, unacceptable, 50) == pytest.approx(false, abs=0.005)


def test_a_planned_number_that_is_too_small_gives_no_limit() -> None:
    """A limit of 3.65 holds 50 cases to 5 % at 0.10 against 0.25, and then 72 % is the chance of a true signal."""
    weights = lccusum_weights(0.10, 0.25)
    assert signal_probability(weights, 3.65, 0.25, 50) < 0.05
    assert signal_probability(weights, 3.65, 0.10, 50) == pytest.approx(0.72, abs=0.005)
    chart = design(0.10, 0.25, 50, 0.05)
    assert chart.limit is None
    assert chart.needed == pytest.approx(3.65, abs=0.02)
    assert chart.false_signal <= 0.05 < signal_probability(weights, chart.needed - 0.002, 0.25, 50)
    assert chart.true_signal < 0.8
    longer = design(0.10, 0.25, 100, 0.10)
    assert longer.limit == longer.needed
    assert longer.true_signal >= 0.8


@pytest.mark.parametrize("p_failure", [0.1, 0.25])
@pytest.mark.parametrize("weights", [lccusum_weights(0.1, 0.25), cusum_weights(0.1, 0.25)], ids=["learn", "keep"])
def test_exact_signal_probabilities_are_those_of_simulated_charts(weights: Weights, p_failure: float) -> None:
    draws = np.random.default_rng(20260301).random((40_000, 50)) < p_failure
    simulated = (path(draws, weights).max(axis=1) >= 2.5).mean()
    exact = signal_probability(weights, 2.5, p_failure, 50)
    assert abs(simulated - exact) < 4 * np.sqrt(exact * (1 - exact) / 40_000) + 1e-12


def test_two_cases_by_hand() -> None:
    weights = lccusum_weights(0.1, 0.25)
    assert signal_probability(weights, 2 * weights.success, 0.25, 2) == pytest.approx(0.75**2)
    assert signal_probability(weights, 2 * weights.success, 0.25, 1) == 0.0


def _brute_force(weights: Weights, limit: float, p_failure: float, cases: int) -> float:
    """Probability of a signal by going through every sequence of failures."""
    total = 0.0
    for sequence in product((False, True), repeat=cases):
        failures = np.array(sequence)
        if first_signal(path(failures, weights), limit) is not None:
            total += p_failure ** failures.sum() * (1 - p_failure) ** (cases - failures.sum())
    return total


@pytest.mark.parametrize("limit", [0.3, 1.0, 2.2])
@pytest.mark.parametrize("weights", [lccusum_weights(0.2, 0.4), cusum_weights(0.2, 0.4)], ids=["learn", "keep"])
def test_the_chain_counts_what_going_through_every_sequence_counts(weights: Weights, limit: float) -> None:
    exact = signal_probability(weights, limit, 0.3, 10)
    assert exact == pytest.approx(_brute_force(weights, limit, 0.3, 10), abs=1e-12)


@pytest.mark.parametrize("is_monitoring", [False, True])
def test_thousands_of_planned_cases_have_a_limit(is_monitoring: bool) -> None:
    chart = design(0.2, 0.4, 1100, 0.05, is_monitoring=is_monitoring)
    assert chart.limit is not None
    assert chart.limit < np.log(1100 / 0.05)
    assert chart.false_signal == pytest.approx(0.05, abs=0.001)
    assert chart.true_signal == pytest.approx(1, abs=1e-6)


def test_levels_too_near_for_so_many_cases_have_no_limit_and_no_error() -> None:
    chart = design(0.5, 0.501, 2000, 0.05)
    assert (chart.limit, chart.needed, chart.false_signal, chart.true_signal) == (None, None, None, None)
    with pytest.raises(ValueError, match="too many values"):
        signal_probability(chart.weights, 5.0, 0.5, 2000)


@pytest.mark.parametrize(("acceptable", "unacceptable"), [(0.25, 0.1), (0.1, 0.1), (0.0, 0.2), (0.1, 1.0)])
def test_probabilities_out_of_order_are_refused(acceptable: float, unacceptable: float) -> None:
    with pytest.raises(ValueError, match="p_acceptable"):
        lccusum_weights(acceptable, unacceptable)

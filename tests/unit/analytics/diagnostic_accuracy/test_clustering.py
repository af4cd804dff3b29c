"""Clustered variances: against sums over raw participants, against GEE, and on designs with a known answer."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

from examtally.analytics.diagnostic_accuracy.clustering import (
    CELLS,
    PRODUCTS,
    effective_size,
    is_repeated,
    linear_covariance,
    linear_variance,
    margin,
    product_matrix,
    ratio_weights,
    two_way_variance,
)
from examtally.analytics.diagnostic_accuracy.two_by_two import DENOMINATORS, TwoByTwo
from examtally.analytics.intervals import normal_quantile, t_quantile

RATIOS = [
    (("tp",), "present"),
    (("tn",), "absent"),
    (("tp",), "positive"),
    (("tn",), "negative"),
    (("tp", "fn"), "all"),
    (("tp", "tn"), "all"),
]


@pytest.mark.parametrize(("people", "examiners"), [(2, 3), (3, 2)])
def test_the_fewer_of_people_and_examiners_are_the_clusters(
    people: int, examiners: int, knee: Any, tally: Any, tally_by_examiner: Any
) -> None:
    knees = [knee(f"PT{number % people}", "tp", f"ER{number % examiners}") for number in range(6)]
    role = {"group": "resident"}
    table = TwoByTwo.of(tally(knees, group_by="role", **role), tally_by_examiner(knees, **role))
    assert table.clusters("present").tolist() == [2]


def raw(seed: int, people: int = 60) -> np.ndarray:
    """Cell counts of each participant, (people, 4): one to four knee-episodes each, alike within a person."""
    rng = np.random.default_rng(seed)
    knees = rng.integers(1, 5, people)
    shares = rng.dirichlet([0.8, 0.5, 0.5, 0.9], people)
    return np.array([rng.multinomial(n, share) for n, share in zip(knees, shares, strict=True)])


def sums(people: np.ndarray) -> np.ndarray:
    """The (1, 4, 4) matrix of products, by way of the ten columns."""
    columns = {f"{a}_{b}": [int(people[:, i] @ people[:, j])] for i, a in enumerate(CELLS) for j, b in enumerate(CELLS)}
    return product_matrix(columns)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(("events", "denominator"), RATIOS)
def test_variance_is_the_sum_over_participants(seed: int, events: tuple[str, ...], denominator: str) -> None:
    people, inside = raw(seed), DENOMINATORS[denominator]
    x, n = people @ margin(events), people @ margin(inside)
    behind = n > 0
    m, p = behind.sum(), x.sum() / n.sum()
    expected = m / (m - 1) * ((x - p * n) ** 2).sum() / n.sum() ** 2
    weights = ratio_weights(people.sum(axis=0)[None, :], events, inside)
    assert linear_variance(weights, sums(people), [m])[0] == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("one", "two"), list(combinations(RATIOS, 2)))
def test_covariance_is_the_sum_over_participants(
    seed: int, one: tuple[tuple[str, ...], str], two: tuple[tuple[str, ...], str]
) -> None:
    people, m = raw(seed), 60
    residuals = []
    for events, denominator in (one, two):
        x, n = people @ margin(events), people @ margin(DENOMINATORS[denominator])
        residuals.append((x - x.sum() / n.sum() * n) / n.sum())
    total = people.sum(axis=0)[None, :]
    weights = [ratio_weights(total, events, DENOMINATORS[name]) for events, name in (one, two)]
    ours = linear_covariance(weights[0], weights[1], sums(people), [m])[0]
    assert ours == pytest.approx(m / (m - 1) * (residuals[0] @ residuals[1]), rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("events", "denominator"), RATIOS)
def test_variance_is_that_of_gee_with_independence(seed: int, events: tuple[str, ...], denominator: str) -> None:
    people, inside = raw(seed), DENOMINATORS[denominator]
    rows = [
        (person, float(cell in events))
        for person, counts in enumerate(people)
        for cell, count in zip(CELLS, counts, strict=True)
        if cell in inside
        for _ in range(count)
    ]
    groups, outcome = (np.array(column) for column in zip(*rows, strict=True))
    fit = sm.GEE(
        outcome,
        np.ones((outcome.size, 1)),
        groups=groups,
        family=sm.families.Binomial(),
        cov_struct=sm.cov_struct.Independence(),
    ).fit()
    m, p = len(set(groups)), outcome.mean()
    expected = fit.cov_params()[0, 0] * (p * (1 - p)) ** 2 * m / (m - 1)
    weights = ratio_weights(people.sum(axis=0)[None, :], events, inside)
    assert linear_variance(weights, sums(people), [m])[0] == pytest.approx(expected, rel=1e-6)


def test_every_product_has_its_place() -> None:
    columns = {name: [position] for position, name in enumerate(PRODUCTS, start=1)}
    matrix = product_matrix(columns)[0]
    np.testing.assert_array_equal(matrix, matrix.T)
    assert [matrix[CELLS.index(a), CELLS.index(b)] for a, b in (name.split("_") for name in PRODUCTS)] == list(
        range(1, 11)
    )


def test_independent_knees_have_the_binomial_variance() -> None:
    people = np.eye(4, dtype=int).repeat([30, 8, 10, 52], axis=0)
    weights = ratio_weights(people.sum(axis=0)[None, :], ("tp",), ("tp", "fn"))
    assert linear_variance(weights, sums(people), [40])[0] == pytest.approx(0.75 * 0.25 / 40 * 40 / 39)


def test_correlation_inflates_as_kish_says() -> None:
    """Two knees a person with correlation 0.3: deff = 1 + (2 - 1) 0.3 (Kish 1965), here before m/(m-1)."""
    people = np.array([[2, 0, 0, 0]] * 325 + [[0, 0, 2, 0]] * 325 + [[1, 0, 1, 0]] * 350)
    weights = ratio_weights(people.sum(axis=0)[None, :], ("tp",), ("tp", "fn"))
    deff = linear_variance(weights, sums(people), [1000])[0] / (0.25 / 2000) * 999 / 1000
    assert deff == pytest.approx(1.3, rel=1e-12)


def test_entering_each_knee_twice_under_the_same_person_changes_nothing() -> None:
    people = raw(11, people=200)
    once, twice = people.sum(axis=0)[None, :], 2 * people.sum(axis=0)[None, :]
    for events, denominator in RATIOS:
        inside = DENOMINATORS[denominator]
        m = [(people @ margin(inside) > 0).sum()]
        before = linear_variance(ratio_weights(once, events, inside), sums(people), m)[0]
        after = linear_variance(ratio_weights(twice, events, inside), sums(2 * people), m)[0]
        assert after == pytest.approx(before, rel=0.01)


def test_repeated_means_more_than_one_knee_in_that_denominator() -> None:
    two_sided = np.array([[1, 0, 0, 1]] * 10)  # one torn and one sound knee each
    total, products = two_sided.sum(axis=0)[None, :], sums(two_sided)
    assert not is_repeated(total, products, ("tp", "fn"))[0]
    assert not is_repeated(total, products, ("fp", "tn"))[0]
    assert is_repeated(total, products, CELLS)[0]


def test_a_small_variance_never_makes_the_sample_larger() -> None:
    size = effective_size(events=[30], n=[60], variance=[1e-6], clusters=[30])
    assert size.deff[0] == 1
    expected = 60 * (normal_quantile(0.95) / t_quantile(0.95, 29)) ** 2
    assert size.n[0] == pytest.approx(float(expected))


@pytest.mark.parametrize("events", [0, 60])
def test_all_or_none_count_each_person_once(events: int) -> None:
    size = effective_size(events=[events], n=[60], variance=[0.0], clusters=[40])
    assert size.n[0] == 40
    assert size.deff[0] == 1.5


def test_one_person_with_a_mixed_outcome_says_nothing() -> None:
    size = effective_size(events=[1], n=[2], variance=[np.nan], clusters=[1])
    assert np.isnan(size.n[0])
    assert np.isnan(size.deff[0])


def test_one_person_with_one_outcome_counts_as_one_knee() -> None:
    assert effective_size(events=[2], n=[2], variance=[np.nan], clusters=[1]).n[0] == 1


def test_an_empty_denominator_has_no_size() -> None:
    size = effective_size(events=[0], n=[0], variance=[np.nan], clusters=[0])
    assert np.isnan(size.n[0])


def test_one_cluster_has_no_variance() -> None:
    people = np.array([[3, 0, 1, 0]])
    weights = ratio_weights(people.sum(axis=0)[None, :], ("tp",), ("tp", "fn"))
    assert np.isnan(linear_variance(weights, sums(people), [1])[0])


def test_two_way_is_never_below_the_larger_one_way() -> None:
    rng = np.random.default_rng(4)
    participant, examiner, both = rng.exponential(size=(3, 200))
    assert np.all(two_way_variance(participant, examiner, both) >= np.maximum(participant, examiner))
    np.testing.assert_allclose(two_way_variance([2.0], [5.0], [2.0]), [5.0])

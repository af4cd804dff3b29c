"""Leaving out one cluster at a time."""

from __future__ import annotations

import numpy as np
import pytest

from examtally.analytics.agreement.jackknife import Jackknife, clustered_jackknife
from examtally.analytics.diagnostic_accuracy.clustering import PRODUCTS, linear_variance, product_matrix, ratio_weights


def mean(totals: np.ndarray) -> np.ndarray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return (totals[..., 0] / totals[..., 1])[..., None]


def one_by_one(sums: np.ndarray, group: np.ndarray, groups: int) -> Jackknife:
    return clustered_jackknife(sums, np.ones(len(sums), dtype=np.int64), group, groups, mean)


def test_mean_of_single_rows_has_the_textbook_standard_error() -> None:
    values = np.random.default_rng(1).normal(size=50)
    made = one_by_one(np.column_stack([values, np.ones(50)]), np.zeros(50, dtype=int), 1)
    assert made.estimate[0, 0] == pytest.approx(values.mean())
    assert made.se[0, 0] == pytest.approx(values.std(ddof=1) / np.sqrt(50))


def test_each_group_by_a_loop_over_its_clusters() -> None:
    rng = np.random.default_rng(2)
    sums, group = rng.integers(1, 9, (40, 2)).astype(float), np.repeat([0, 1, 3], [10, 25, 5])
    made = one_by_one(sums, group, 4)
    for code in (0, 1, 3):
        own = sums[group == code]
        left = [float(mean(np.delete(own, i, axis=0).sum(axis=0))[0]) for i in range(len(own))]
        m = len(own)
        assert made.se[code, 0] == pytest.approx(np.sqrt((m - 1) / m * np.sum((left - np.mean(left)) ** 2)))
    assert np.isnan(made.estimate[2, 0])
    assert made.clusters.tolist() == [10, 25, 0, 5]


def test_close_to_the_linearised_variance_of_a_clustered_proportion() -> None:
    # litters of Weil, Food Cosmet Toxicol 1970, treated group: standard error 0.0692 (ratio estimator)
    n = np.array([12, 11, 10, 9, 11, 10, 10, 9, 9, 5, 9, 7, 10, 6, 10, 7])
    y = np.array([12, 11, 10, 9, 10, 9, 9, 8, 8, 4, 7, 4, 5, 3, 3, 0])
    made = one_by_one(np.column_stack([y, n]).astype(float), np.zeros(16, dtype=int), 1)
    products = {name: [0] for name in PRODUCTS} | {"tp_tp": [(y * y).sum()], "fn_fn": [((n - y) ** 2).sum()]}
    products |= {name: [(y * (n - y)).sum()] for name in ("tp_fn", "fn_tp") if name in PRODUCTS}
    weights = ratio_weights(np.array([[y.sum(), 0, (n - y).sum(), 0]]), ("tp",), ("tp", "fn"))
    linear = np.sqrt(linear_variance(weights, product_matrix(products), [16])[0])
    assert linear == pytest.approx(0.0692, abs=5e-5)
    assert made.se[0, 0] == pytest.approx(linear, rel=0.02)


def test_one_cluster_or_a_statistic_that_hangs_on_one_has_no_standard_error() -> None:
    assert np.isnan(one_by_one(np.array([[3.0, 4.0]]), np.array([0]), 1).se[0, 0])
    hanging = one_by_one(np.array([[3.0, 4.0], [0.0, 0.0]]), np.array([0, 0]), 1)
    assert hanging.estimate[0, 0] == 0.75
    assert np.isnan(hanging.se[0, 0])


def test_clusters_that_add_the_same_may_be_counted() -> None:
    rng = np.random.default_rng(3)
    sums, times, group = rng.integers(1, 9, (12, 2)).astype(float), rng.integers(1, 5, 12), np.repeat([0, 1], [5, 7])
    counted = clustered_jackknife(sums, times, group, 2, mean)
    listed = one_by_one(np.repeat(sums, times, axis=0), np.repeat(group, times), 2)
    assert counted.clusters.tolist() == listed.clusters.tolist()
    assert counted.estimate == pytest.approx(listed.estimate)
    assert counted.se == pytest.approx(listed.se)

"""Statistics of agreement from counts, against printed tables and independent libraries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import fleiss_kappa

from examtally.analytics.agreement.statistics import (
    CALL_STATISTICS,
    binary_statistics,
    call_statistics,
    grade_statistics,
)

# Feinstein & Cicchetti, J Clin Epidemiol 1990;43:543–549: kappa 0.70
BALANCED = [40, 9, 6, 45]
TABLES = st.lists(st.integers(0, 30), min_size=4, max_size=4).filter(any)


def statistics(cells: list[int]) -> dict[str, float]:
    return {name: float(value) for name, value in binary_statistics(np.array(cells, dtype=float)).items()}


def test_balanced_table() -> None:
    found = statistics(BALANCED)
    assert found == pytest.approx(
        {
            "observed_agreement": 0.85, "cohen_kappa": 0.699519230769, "pabak": 0.7,
            "positive_agreement": 0.842105263158, "negative_agreement": 0.857142857143,
            "prevalence_index": -0.05, "bias_index": 0.03, "gwet_ac1": 0.700748129676,
        },
        abs=1e-10,
    )  # fmt: skip


def test_same_agreement_lopsided_margins_lower_kappa_and_not_ac1() -> None:
    # Feinstein & Cicchetti 1990, the first paradox: observed 0.85 in both, kappa 0.70 and 0.32
    lopsided = statistics([80, 10, 5, 5])
    assert lopsided["observed_agreement"] == pytest.approx(0.85)
    assert round(lopsided["cohen_kappa"], 2) == 0.32
    assert lopsided["gwet_ac1"] > 0.8


@given(TABLES)
def test_kappa_from_pabak_and_the_two_indices(cells: list[int]) -> None:
    # Byrt, Bishop & Carlin 1993: kappa = (PABAK − PI² + BI²) / (1 − PI² + BI²)
    found = statistics(cells)
    room = 1 - found["prevalence_index"] ** 2 + found["bias_index"] ** 2
    if np.isnan(found["cohen_kappa"]):
        assert room == pytest.approx(0, abs=1e-9)
    else:
        assert found["cohen_kappa"] == pytest.approx((found["pabak"] - 1 + room) / room, abs=1e-9)


@given(TABLES)
def test_renaming_raters_or_categories(cells: list[int]) -> None:
    both, first, second, neither = cells
    there, turned, swapped = (
        statistics(each) for each in (cells, [neither, second, first, both], [both, second, first, neither])
    )
    same = {"nan_ok": True, "abs": 1e-12}
    assert turned["positive_agreement"] == pytest.approx(there["negative_agreement"], **same)
    assert turned["prevalence_index"] == pytest.approx(-there["prevalence_index"], **same)
    assert swapped["bias_index"] == pytest.approx(-there["bias_index"], **same)
    for name in ("cohen_kappa", "gwet_ac1"):
        assert turned[name] == pytest.approx(there[name], **same)
        assert swapped[name] == pytest.approx(there[name], **same)


@pytest.mark.parametrize("seed", range(4))
def test_kappas_agree_with_scikit_learn(seed: int) -> None:
    cells = np.random.default_rng(seed).integers(1, 30, 4)
    first, second = np.repeat([1, 1, 0, 0], cells), np.repeat([1, 0, 1, 0], cells)
    assert statistics(cells.tolist())["cohen_kappa"] == pytest.approx(cohen_kappa_score(first, second), abs=1e-12)
    one, other = np.random.default_rng(seed).integers(0, 4, (2, 90))
    sums = [*np.bincount(one, minlength=4), *np.bincount(other, minlength=4), np.abs(one - other).sum()]
    weighted = grade_statistics(np.array(sums, dtype=float))
    assert weighted == pytest.approx(cohen_kappa_score(one, other, weights="linear"), abs=1e-12)


def coincidences(calls: np.ndarray) -> np.ndarray:
    """Krippendorff's table of coincidences, pair of ratings by pair of ratings: he calls it o_ck (2011, section B)."""
    table = np.zeros((2, 2))
    for unit in calls.T:
        given_ = unit[~np.isnan(unit)].astype(int)
        for i, one in enumerate(given_):
            for j, other in enumerate(given_):
                if i != j:
                    table[one, other] += 1 / (given_.size - 1)
    return table


# Krippendorff, Computing Krippendorff's Alpha-Reliability, 2011, section A: two observers, ten articles; alpha 0.095
ARTICLES = np.array([[0, 1, 0, 0, 0, 0, 0, 0, 1, 0], [1, 1, 1, 0, 0, 1, 0, 0, 0, 0]], dtype=float)


def sums_of(calls: np.ndarray) -> np.ndarray:
    """Totals in the order of `call_sums`, without the cells of pairs."""
    n, positive = (~np.isnan(calls)).sum(axis=0), np.nansum(calls, axis=0)
    unlike = positive * (n - positive)
    agreeing = (1 - 2 * unlike / (n * (n - 1))).sum()
    return np.array([0, 0, 0, 0, n.size, agreeing, positive.sum(), n.sum(), (2 * unlike / (n - 1)).sum()], dtype=float)


def statistic(name: str, calls: np.ndarray) -> float:
    return float(call_statistics(sums_of(calls))[CALL_STATISTICS.index(name)])


def test_ten_articles() -> None:
    assert statistic("krippendorff_alpha", ARTICLES) == pytest.approx(0.095, abs=5e-4)


@pytest.mark.parametrize("seed", range(3))
def test_several_raters(seed: int) -> None:
    rng = np.random.default_rng(seed)
    calls = (rng.random((4, 60)) < rng.random(60)).astype(float)
    counts = np.column_stack([(calls == 0).sum(axis=0), (calls == 1).sum(axis=0)])
    assert statistic("fleiss_kappa", calls) == pytest.approx(fleiss_kappa(counts), abs=1e-12)
    calls[3, :20] = np.nan
    table = coincidences(calls)
    margins, n = table.sum(axis=1), table.sum()
    expected = 1 - (n - 1) * table[0, 1] * 2 / (2 * margins.prod())
    assert statistic("krippendorff_alpha", calls) == pytest.approx(expected, abs=1e-12)


def test_one_category_has_no_kappa_but_agreement() -> None:
    found = statistics([30, 0, 0, 0])
    assert np.isnan([found["cohen_kappa"], found["negative_agreement"]]).all()
    assert (found["observed_agreement"], found["positive_agreement"], found["gwet_ac1"]) == (1.0, 1.0, 1.0)


def test_nothing_rated() -> None:
    assert np.isnan(list(statistics([0, 0, 0, 0]).values())).all()

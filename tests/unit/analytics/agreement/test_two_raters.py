"""Cohen's kappa and what stands beside it, against printed tables and an independent library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa

from examtally.analytics.agreement.two_raters import binary_agreement, cohen_kappa, gwet_ac1

# Fleiss, Levin & Paik, Statistical Methods for Rates and Proportions, 3rd ed. 2003, chapter 18: 100 persons rated
# psychotic, neurotic, organic; kappa 0.68, standard error under no agreement 0.076
DIAGNOSES = [[75, 1, 4], [5, 4, 1], [0, 0, 10]]
# Feinstein & Cicchetti, J Clin Epidemiol 1990;43:543–549: kappa 0.70
BALANCED = [[40, 9], [6, 45]]
TABLES = st.lists(st.integers(0, 30), min_size=4, max_size=4).filter(any)


@pytest.mark.parametrize(
    ("weights", "kappa", "observed", "expected", "se", "se_null", "z", "low", "high"),
    [
        ("none", 0.676470588, 0.89, 0.66, 0.087702953, 0.076187258, 8.87905152, 0.504575958, 0.848365218),
        ("linear", 0.722222222, 0.925, 0.73, 0.084300954, 0.087860564, 8.22009543, 0.556995389, 0.887449056),
        ("quadratic", 0.755319149, 0.9425, 0.765, 0.086707132, 0.098947608, 7.63352606, 0.585376292, 0.925262006),
    ],
)
def test_three_diagnoses(
    weights: str, kappa: float, observed: float, expected: float, se: float, se_null: float, z: float, low: float,
    high: float,
) -> None:  # fmt: skip
    found = cohen_kappa(DIAGNOSES, weights=weights)
    assert (found.estimate, found.observed, found.expected) == pytest.approx((kappa, observed, expected), abs=1e-8)
    assert (found.se, found.se_null, found.z) == pytest.approx((se, se_null, z), abs=1e-7)
    assert (found.low, found.high, found.n) == pytest.approx((low, high, 100), abs=1e-8)


def test_balanced_table() -> None:
    found = binary_agreement(BALANCED)
    assert (found.kappa, found.observed, found.pabak) == pytest.approx((0.699519230769, 0.85, 0.7), abs=1e-10)
    assert (found.positive, found.negative) == pytest.approx((0.842105263158, 0.857142857143), abs=1e-10)
    assert (found.prevalence_index, found.bias_index) == pytest.approx((-0.05, 0.03), abs=1e-12)
    assert (found.gwet_ac1, found.largest_kappa) == pytest.approx((0.700748129676, 0.939903846154), abs=1e-10)
    assert cohen_kappa(BALANCED).se == pytest.approx(0.07139360269998819, abs=1e-10)


def test_same_agreement_lopsided_margins_lower_kappa_and_not_ac1() -> None:
    # Feinstein & Cicchetti 1990, the first paradox: observed 0.85 in both, kappa 0.70 and 0.32
    lopsided = binary_agreement([[80, 10], [5, 5]])
    assert lopsided.observed == pytest.approx(0.85)
    assert round(lopsided.kappa, 2) == 0.32
    assert lopsided.gwet_ac1 > 0.8


@given(TABLES)
def test_kappa_from_pabak_and_the_two_indices(cells: list[int]) -> None:
    # Byrt, Bishop & Carlin 1993: kappa = (PABAK − PI² + BI²) / (1 − PI² + BI²)
    found = binary_agreement(np.reshape(cells, (2, 2)))
    room = 1 - found.prevalence_index**2 + found.bias_index**2
    if found.kappa is None:
        assert room == pytest.approx(0, abs=1e-9)
    else:
        assert found.kappa == pytest.approx((found.pabak - 1 + room) / room, abs=1e-9)


@given(TABLES)
def test_renaming_raters_or_categories(cells: list[int]) -> None:
    table = np.reshape(cells, (2, 2))
    there, turned, swapped = (binary_agreement(t) for t in (table, table[::-1, ::-1], table.T))
    assert (turned.positive, turned.negative) == (there.negative, there.positive)
    assert turned.gwet_ac1 == pytest.approx(there.gwet_ac1)
    assert turned.prevalence_index == pytest.approx(-there.prevalence_index)
    assert swapped.bias_index == pytest.approx(-there.bias_index)
    assert (swapped.kappa is None) == (there.kappa is None) == (turned.kappa is None)
    if there.kappa is not None:
        assert (swapped.kappa, turned.kappa) == pytest.approx((there.kappa, there.kappa))


@pytest.mark.parametrize("seed", range(4))
def test_agrees_with_statsmodels_and_scikit_learn(seed: int) -> None:
    table = np.random.default_rng(seed).integers(0, 12, (4, 4)) + 6 * np.eye(4, dtype=int)
    first, second = np.indices((4, 4)).reshape(2, 16)
    times = table.reshape(16)
    for weights, theirs in (("none", None), ("linear", "linear"), ("quadratic", "quadratic")):
        found = cohen_kappa(table, weights=weights)
        library = cohens_kappa(table, wt=theirs)
        score = cohen_kappa_score(np.repeat(first, times), np.repeat(second, times), weights=theirs)
        assert found.estimate == pytest.approx(score, abs=1e-12)
        assert (found.se, found.se_null) == pytest.approx((library.std_kappa, library.std_kappa0), abs=1e-12)


def test_ac1_of_three_categories() -> None:
    # mean shares 0.825, 0.075, 0.1 … by hand: chance = Σπ(1 − π)/2
    share = np.array([(80 + 80) / 200, (10 + 5) / 200, (10 + 15) / 200])
    chance = (share * (1 - share)).sum() / 2
    assert gwet_ac1(DIAGNOSES) == pytest.approx((0.89 - chance) / (1 - chance), abs=1e-12)


def test_one_category_has_no_kappa_but_agreement() -> None:
    kappa = cohen_kappa([[30, 0], [0, 0]])
    assert (kappa.estimate, kappa.se, kappa.low, kappa.observed) == (None, None, None, 1.0)
    assert "one and the same category" in kappa.note
    found = binary_agreement([[30, 0], [0, 0]])
    assert (found.kappa, found.largest_kappa, found.negative) == (None, None, None)
    assert (found.observed, found.positive, found.gwet_ac1) == (1.0, 1.0, 1.0)


def test_full_agreement_on_two_categories_has_no_limits() -> None:
    kappa = cohen_kappa([[20, 0], [0, 10]])
    assert (kappa.estimate, kappa.se, kappa.low, kappa.high) == (1.0, None, None, None)
    assert kappa.note


def test_nothing_rated() -> None:
    assert cohen_kappa(np.zeros((2, 2))).estimate is None
    assert gwet_ac1(np.zeros((3, 3))) is None
    assert binary_agreement(np.zeros((2, 2))).observed is None


@pytest.mark.parametrize("table", [[[1, 2, 3], [4, 5, 6]], [[1]], [[1, -1], [0, 2]], [[1, np.nan], [0, 2]], [1, 2]])
def test_refuses_what_is_no_table(table: list[list[float]]) -> None:
    with pytest.raises(ValueError, match="counts"):
        cohen_kappa(table)


def test_refuses_other_weights_and_larger_tables() -> None:
    with pytest.raises(ValueError, match="none, linear, quadratic"):
        cohen_kappa(BALANCED, weights="cubic")
    with pytest.raises(ValueError, match="two by two"):
        binary_agreement(DIAGNOSES)

"""The parts of the correction: sums by group, the ridge, the choice of terms, imputation."""

from __future__ import annotations

from collections import Counter, defaultdict

import numpy as np
import polars as pl
import pytest
from selective import Imaging, draw
from sklearn.linear_model import LogisticRegression

from examtally.analytics.logistic import fit_logistic, standardise
from examtally.analytics.verification_bias.corrected import CorrectedCells
from examtally.analytics.verification_bias.grouped import Grouped
from examtally.analytics.verification_bias.imputation import complete, pool
from examtally.analytics.verification_bias.models import area_under_curve, effective_weights, fit_models
from examtally.analytics.verification_bias.terms import Variable, choose, levels, most_terms, probability


def test_sums_and_products_are_those_counted_person_by_person() -> None:
    rng = np.random.default_rng(0)
    person, code, values = rng.integers(30, size=80), rng.integers(3, size=80), rng.normal(size=(80, 4))
    kind = rng.integers(6, size=80)
    grouped = Grouped.of(person).by(code, 4)
    for group in range(4):
        by_person: dict[int, np.ndarray] = defaultdict(lambda: np.zeros(4))
        kinds: dict[int, Counter[int]] = defaultdict(Counter)
        for row in np.nonzero(code == group)[0]:
            by_person[person[row]] += values[row]
            kinds[person[row]][kind[row]] += 1
        total = sum(by_person.values(), np.zeros(4))
        np.testing.assert_allclose(grouped.sums(values)[group], total)
        squares = sum((np.outer(x, x) for x in by_person.values()), np.zeros((4, 4)))
        np.testing.assert_allclose(grouped.products(values)[group], squares, atol=1e-12)
        assert grouped.clusters()[group] == len(by_person)
        counted = sum((np.outer([n[k] for k in range(6)], [n[k] for k in range(6)]) for n in kinds.values()),
                      np.zeros((6, 6)))  # fmt: skip
        np.testing.assert_array_equal(grouped.count_products(kind, 6)[group], counted)
        held = Counter(sum(1 << k for k in n) for n in kinds.values())
        assert {place: n for place, n in enumerate(grouped.held(kind, 6)[group]) if n} == held
        assert grouped.is_repeated[group] == any(sum(n.values()) > 1 for n in kinds.values())


def test_ridge_is_that_of_a_normal_prior_with_a_free_intercept() -> None:
    """scikit-learn 1.9, LogisticRegression(C=1): the same penalised likelihood."""
    rng = np.random.default_rng(2)
    x = standardise(rng.normal(size=(300, 4)) * [1, 5, 0.2, 1])
    y = rng.random(300) < 1 / (1 + np.exp(-(x @ [0.5, -1, 0, 2] - 1)))
    fit = fit_logistic(x, y)
    theirs = LogisticRegression(C=1.0, tol=1e-10, max_iter=1000).fit(x, y)
    assert fit.converged
    np.testing.assert_allclose(fit.coefficients, [*theirs.intercept_, *theirs.coef_[0]], atol=1e-6)


@pytest.mark.parametrize("rare", [False, True], ids=["some of each in every eighth row", "none with it there"])
def test_many_rows_are_fitted_to_all_of_them(rare: bool) -> None:
    rng = np.random.default_rng(5)
    x, w = np.column_stack([rng.normal(size=(10_000, 3)), np.ones(10_000)]), rng.uniform(0.5, 2.0, 10_000)
    y = rng.random(10_000) < 1 / (1 + np.exp(-(x @ [0.5, -1, 0, 2])))
    if rare:
        y[::8] = False
    fit = fit_logistic(x, y, w, penalty=2.0)
    spread = np.sqrt(np.cov(x[:, :3].T, aweights=w, ddof=0).diagonal())
    theirs = LogisticRegression(C=0.5, tol=1e-10, max_iter=1000).fit(x[:, :3] / spread, y, sample_weight=w)
    np.testing.assert_allclose(fit.coefficients, [*theirs.intercept_, *theirs.coef_[0] / spread, 0.0], atol=1e-5)
    known = np.column_stack([np.ones(10_000), x[:, :3]])
    mu = 1 / (1 + np.exp(-known @ fit.coefficients[:4]))
    expected = (known.T * (w * mu * (1 - mu))) @ known + np.diag([0.0, *2.0 * spread**2])
    np.testing.assert_allclose(fit.information[:4, :4], expected, rtol=1e-9, atol=1e-9)


def test_separation_settles_and_one_class_is_refused() -> None:
    x = standardise(np.r_[np.zeros(20), np.ones(20)][:, None])
    fit = fit_logistic(x, x[:, 0] > 0)
    assert fit.converged
    assert 0 < fit.probability(x).min() < fit.probability(x).max() < 1
    with pytest.raises(ValueError, match="both values"):
        fit_logistic(x, np.ones(40, bool))


def test_one_term_for_every_five_verified_knees_of_the_smaller_class() -> None:
    present, verified = np.r_[np.ones(24, bool), np.zeros(100, bool)], np.ones(124, bool)
    assert most_terms(present, verified) == 4
    assert most_terms(~present, verified) == 4
    verified[:5] = False
    assert most_terms(present, verified) == 3


def variable(name: str, *columns: list[int]) -> Variable:
    return Variable(name, tuple(f"{name}{i}" for i in range(len(columns))), np.array(columns, float).T)


def test_terms_enter_whole_and_in_order_until_one_does_not_fit() -> None:
    a, b = variable("a", [0, 1, 0, 1]), variable("b", [1, 1, 0, 0], [0, 0, 0, 1])
    c, constant, copy = variable("c", [1, 0, 0, 0]), variable("k", [1, 1, 1, 1]), variable("copy", [0, 1, 0, 1])
    design = choose([a, constant, copy, b, c], 3)
    assert design.terms == ("a0", "b0", "b1")
    assert design.left_out == ("c",)
    design = choose([a, b, c], 2)
    assert (design.variables, design.left_out) == (("a",), ("b", "c"))
    assert choose([a], 0).columns.shape == (0, 0)


def test_rare_levels_share_a_column_but_a_positive_finding_has_its_own() -> None:
    words = ["negative"] * 40 + ["positive"] * 3 + ["not_done"] * 12 + ["equivocal"] * 2 + ["not_recorded"] * 4
    kinds = pl.Enum(["positive", "negative", "equivocal", "not_done", "not_recorded"])
    found = levels("lachman", pl.Series("result", words, dtype=kinds), "negative", kept=("positive",))
    assert found.terms == ("lachman_not_done", "lachman_positive", "lachman_other")
    np.testing.assert_array_equal(found.columns.sum(axis=0), [12, 3, 6])


def test_a_missing_impression_has_its_own_column() -> None:
    found = probability("impression", pl.Series([0.0, 0.5, None, 1.0]))
    np.testing.assert_allclose(found.columns[:, 0], [np.log(0.02 / 0.98), 0, 0, np.log(0.98 / 0.02)])
    np.testing.assert_array_equal(found.columns[:, 1], [0, 0, 1, 0])


def test_diagnostics() -> None:
    """Four pairs of one event and one other, 2.5 of them in order; Kish: (1 + 4)² / (1 + 16)."""
    assert area_under_curve(np.array([0.9, 0.4, 0.4, 0.5]), np.array([True, True, False, False])) == 2.5 / 4
    assert np.isnan(area_under_curve(np.array([0.9]), np.array([True])))
    assert effective_weights(np.array([1.0, 0.5, 0.2])) == pytest.approx((1 + 2 + 5) ** 2 / (1 + 4 + 25))


def tables(kept: float, imputations: int = 50) -> CorrectedCells:
    drawn = draw(3000, Imaging(kept, (1.0, 1.0, 1.0), 1.2, 0.9), np.random.default_rng(6))
    models = fit_models(drawn.covariates, drawn.verified, drawn.present)
    rng = np.random.default_rng(7)
    finished = complete(models, drawn.verified, drawn.present, imputations, rng)
    assert (finished[:, drawn.verified] == drawn.present[drawn.verified]).all()
    grouped = Grouped.of(drawn.person)
    cells = [np.where(drawn.findings[:, 0], 0, 2) + ~present for present in finished]
    return CorrectedCells(
        np.array([grouped.counts(kind, 4)[0] for kind in cells]),
        np.array([grouped.count_products(kind, 4)[0] for kind in cells]),
        np.full(imputations, grouped.clusters()[0]),
    )


def test_imputation_finds_the_truth_and_says_what_is_missing() -> None:
    some, nearly_all = pool(tables(-2.4), "sensitivity"), pool(tables(3.0), "sensitivity")
    assert some is not None
    assert nearly_all is not None
    assert some.ci_low < 0.7619 < some.ci_high
    assert nearly_all.fmi < 0.1 < 0.3 < some.fmi < 0.9
    assert some.ci_high - some.ci_low > nearly_all.ci_high - nearly_all.ci_low


def test_rubins_rules_by_hand() -> None:
    """Two completed tables, one person a knee: within, between and total variance on the logit scale."""
    cells = np.array([[40.0, 10, 10, 40], [50.0, 10, 10, 30]])
    products = np.array([np.diag(row) for row in cells])
    found = pool(CorrectedCells(cells, products, np.array([np.inf, np.inf])), "sensitivity")
    assert found is not None
    scaled = np.log([4.0, 5.0])
    within = np.mean([1 / 40 + 1 / 10, 1 / 50 + 1 / 10])
    between = 1.5 * scaled.var(ddof=1)
    assert np.log(found.estimate / (1 - found.estimate)) == pytest.approx(scaled.mean())
    ratio = between / within
    freedom = (1 + 1 / ratio) ** 2
    assert found.fmi == pytest.approx((ratio + 2 / (freedom + 3)) / (ratio + 1))


def test_plain_shares_are_imputed_from_their_own_posterior() -> None:
    value = np.r_[np.ones(50), np.zeros(50)][:, None]
    verified = np.arange(100) % 2 == 0
    present = np.arange(100) < 50
    models = fit_models(value, verified, present, is_saturated=True)
    finished = complete(models, verified, present, 200, np.random.default_rng(1))
    assert 0.95 < finished[:, :50].mean() < 1.0
    assert 0.0 < finished[:, 50:].mean() < 0.05

"""Two maneuvers on the same knees: printed examples, invariances, sums over raw participants, degenerate inputs."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
import statsmodels.api as sm
from compared_pair import Comparison, compare_paired
from scipy.stats import t
from statsmodels.stats.multitest import multipletests

from examtally.analytics.comparison.joint import participant_sums
from examtally.analytics.comparison.paired import compare_predictive_values, mcnemar, swap_test
from examtally.analytics.comparison.rows import holm
from examtally.analytics.intervals import t_quantile
from examtally.analytics.verification_bias.grouped import Grouped


def found(comparisons: tuple[Comparison, ...], measure: str, contrast: str = "difference") -> Comparison:
    return next(c for c in comparisons if (c.measure, c.contrast) == (measure, contrast))


def knees(both: int, only_a: int, only_b: int, neither: int) -> tuple[list[int], list[int]]:
    a = [1] * (both + only_a) + [0] * (only_b + neither)
    return a, [1] * both + [0] * only_a + [1] * only_b + [0] * neither


def drawn(seed: int, people: int = 150, knees_each: int = 2) -> tuple[np.ndarray, ...]:
    """Knees of people alike within a person: findings a and b, condition, person."""
    rng = np.random.default_rng(seed)
    person = np.repeat(np.arange(people), knees_each)
    own = rng.normal(size=people)[person]
    present = (own + rng.normal(size=person.size) > 0).astype(float)
    a = (rng.normal(size=person.size) + own + 1.6 * present > 0.8).astype(float)
    b = (rng.normal(size=person.size) + own + 1.0 * present > 0.6).astype(float)
    return a, b, present, person


# Agresti A. Categorical Data Analysis. 2nd ed. 2002, table 10.1 (approval ratings): 794, 150, 86, 570; chi-squared
# 17.36. The interval: Newcombe RG. Stat Med 1998;17:2635-2650, method 10; its Table II has 36, 12, 2, 0.
@pytest.mark.parametrize(
    ("cells", "difference", "low", "high", "statistic", "exact", "midp"),
    [
        (
            (794, 150, 86, 570), 0.04, 0.021230423983, 0.058703872896,
            17.35593220339, 3.7159361395713866e-05, 2.893389517615428e-05,
        ),
        (
            (36, 12, 2, 0), 0.2, 0.056929584003, 0.340427602975,
            7.142857142857, 0.012939453125, 0.00738525390625,
        ),
    ],
)  # fmt: skip
def test_printed_paired_tables(
    cells: tuple[int, ...], difference: float, low: float, high: float,
    statistic: float, exact: float, midp: float,
) -> None:  # fmt: skip
    test = mcnemar(cells[1], cells[2])
    assert test.statistic == pytest.approx(statistic)
    assert (test.p_exact, test.p_midp) == pytest.approx((exact, midp), rel=1e-9)
    a, b = knees(*cells)
    whole = found(compare_paired(a, b, [1] * len(a)), "sensitivity")
    assert (whole.value, whole.ci_low, whole.ci_high) == pytest.approx((difference, low, high), abs=1e-9)
    assert (whole.test, whole.only_a, whole.only_b, whole.n) == ("mcnemar_midp", cells[1], cells[2], sum(cells))
    assert whole.p_value == pytest.approx(midp)
    exactly = found(compare_paired(a, b, [1] * len(a), exact=True), "sensitivity")
    assert (exactly.test, exactly.p_value) == ("mcnemar_exact", pytest.approx(exact))


def test_knees_that_count_for_one_alone() -> None:
    a, b = knees(20, 9, 4, 17)
    torn = found(compare_paired(a, b, [1] * 50), "sensitivity")
    sound = found(compare_paired(a, b, [0] * 50), "specificity")
    assert (torn.only_a, torn.only_b) == (9, 4)
    assert (sound.only_a, sound.only_b) == (4, 9)
    for made in (torn, sound):
        assert made.value == pytest.approx((made.only_a - made.only_b) / made.n)


def test_mid_p_where_both_are_equally_often_alone() -> None:
    assert float(mcnemar(5, 5).p_midp) == pytest.approx(1 - 252 / 1024 / 2)
    assert float(mcnemar(0, 0).p_exact) == float(mcnemar(0, 0).p_midp) == 1.0
    assert math.isnan(float(mcnemar(0, 0).statistic))


def test_every_table_of_an_array_has_its_own_test() -> None:
    only_a, only_b = np.array([[9, 3, 9], [0, 12, 3]]), np.array([[3, 9, 3], [0, 5, 3]])
    together = mcnemar(only_a, only_b)
    for name in ("statistic", "p_exact", "p_midp"):
        apart = [float(getattr(mcnemar(*pair), name)) for pair in zip(only_a.flat, only_b.flat, strict=True)]
        np.testing.assert_array_equal(getattr(together, name).ravel(), apart)


# Counts of Weiner DA et al. N Engl J Med 1979;301:230-235 (coronary disease by exercise test and by history of chest
# pain), as Kosinski AS. Stat Med 2013;32:964-977 uses them: 0.807 (PPV) and 22.502 (NPV).
def test_predictive_values_of_a_printed_example() -> None:
    events, others = [473, 29, 81, 25], [22, 46, 44, 151]
    ppv, npv = (compare_predictive_values(events, others, negative=side) for side in (False, True))
    assert (ppv.weighted_statistic, npv.weighted_statistic) == pytest.approx((0.807, 22.502), abs=6e-3)
    assert (ppv.estimate_a, ppv.estimate_b) == pytest.approx((502 / 570, 554 / 620))
    assert (npv.estimate_a, npv.estimate_b) == pytest.approx((195 / 301, 197 / 251))


def test_score_statistic_of_predictive_values_is_that_of_a_marginal_regression() -> None:
    events, others = np.array([40, 9, 14, 6]), np.array([7, 13, 5, 30])
    rows = [
        (knee, is_a, y)
        for y, counts in ((1, events), (0, others))
        for place, count in enumerate(counts[:3])
        for knee in ((y, place, i) for i in range(count))
        for is_a in (1, 0)
        if place == 0 or (place == 1) == bool(is_a)
    ]
    knee = np.unique([str(row[0]) for row in rows], return_inverse=True)[1]
    z, y = (np.array([row[i] for row in rows], dtype=float) for i in (1, 2))
    order = np.argsort(knee, kind="stable")
    design = sm.add_constant(z)[order]
    model = sm.GEE(y[order], design, groups=knee[order], family=sm.families.Binomial())
    null = sm.GEE(y[order], np.ones((y.size, 1)), groups=knee[order], family=sm.families.Binomial()).fit()
    tested = model.compare_score_test(null)
    assert compare_predictive_values(events, others).score_statistic == pytest.approx(tested["statistic"], rel=1e-6)


def test_clustered_difference_is_the_robust_one_of_a_regression() -> None:
    a, b, present, person = drawn(1)
    torn = present > 0
    y, z = np.concatenate([a[torn], b[torn]]), np.repeat([1.0, 0.0], torn.sum())
    who = np.concatenate([person[torn], person[torn]])
    order = np.argsort(who, kind="stable")
    fit = sm.GEE(
        y[order], sm.add_constant(z)[order], groups=who[order], family=sm.families.Gaussian()
    ).fit()  # fmt: skip
    m = np.unique(who).size
    made = found(compare_paired(a, b, present, person), "sensitivity")
    assert made.test == "robust"
    assert made.value == pytest.approx(fit.params[1])
    assert made.value / made.statistic == pytest.approx(fit.bse[1] * np.sqrt(m / (m - 1)), rel=1e-6)
    assert made.participants == m
    assert made.p_value == pytest.approx(2 * t.sf(abs(made.statistic), m - 1))


def test_variances_of_ratios_are_those_of_leaving_out_people() -> None:
    people = 150
    a, b, present, person = drawn(2, people)

    def logarithms(*kept: np.ndarray) -> np.ndarray:
        return np.log([c.value for c in compare_paired(*kept) if c.contrast == "ratio"])

    whole = [c for c in compare_paired(a, b, present, person) if c.contrast == "ratio"]
    chosen = [person != who for who in range(people)]
    without = np.array([logarithms(a[kept], b[kept], present[kept]) for kept in chosen])
    jackknife = np.sqrt((people - 1) / people * ((without - without.mean(axis=0)) ** 2).sum(axis=0))
    half = np.array([math.log(c.ci_high / c.ci_low) / 2 / t_quantile(0.95, c.participants - 1) for c in whole])
    assert [c.measure for c in whole] == ["sensitivity", "specificity", "ppv", "npv", "lr_positive", "lr_negative"]
    assert half == pytest.approx(jackknife, rel=0.05)


@pytest.mark.parametrize("clustered", [True, False])
def test_exchanging_the_maneuvers_turns_the_sign(clustered: bool) -> None:
    a, b, present, person = drawn(3, people=20 if clustered else 90)
    who = person if clustered else None
    for one, other in zip(compare_paired(a, b, present, who), compare_paired(b, a, present, who), strict=True):
        assert one.p_value == pytest.approx(other.p_value)
        assert (one.only_a, one.only_b, one.n) == (other.only_b, other.only_a, other.n)
        turned = (
            (-other.value, -other.ci_high, -other.ci_low)
            if one.contrast == "difference"
            else (1 / other.value, 1 / other.ci_high, 1 / other.ci_low)
        )
        assert (one.value, one.ci_low, one.ci_high) == pytest.approx(turned)


def test_exchanging_the_labels_exchanges_sensitivity_and_specificity() -> None:
    a, b, present, person = drawn(4)
    one, other = compare_paired(a, b, present, person), compare_paired(1 - a, 1 - b, 1 - present, person)
    for left, right in (("sensitivity", "specificity"), ("ppv", "npv")):
        x, y = found(one, left), found(other, right)
        assert (x.value, x.ci_low, x.ci_high, x.p_value) == pytest.approx((y.value, y.ci_low, y.ci_high, y.p_value))


def test_order_of_knees_and_names_of_people_do_not_matter() -> None:
    a, b, present, person = drawn(5)
    order = np.random.default_rng(1).permutation(a.size)
    shuffled = compare_paired(a[order], b[order], present[order], [f"PT{x * 7 % 151}" for x in person[order]])
    for one, other in zip(compare_paired(a, b, present, person), shuffled, strict=True):
        assert (one.value, one.ci_low, one.p_value) == pytest.approx((other.value, other.ci_low, other.p_value))


@pytest.mark.parametrize("measure", ["sensitivity", "specificity", "ppv", "npv"])
def test_a_knee_entered_twice_tells_nothing_more(measure: str) -> None:
    a, b, present, person = drawn(6, people=400, knees_each=1)
    once = found(compare_paired(a, b, present, person), measure)
    twice = found(compare_paired(*(np.tile(x, 2) for x in (a, b, present, person))), measure)
    assert twice.value == pytest.approx(once.value)
    assert twice.ci_high - twice.ci_low == pytest.approx(once.ci_high - once.ci_low, rel=0.01)
    naive = found(compare_paired(*(np.tile(x, 2) for x in (a, b, present))), measure)
    assert naive.ci_high - naive.ci_low < 0.75 * (once.ci_high - once.ci_low)


def test_exchange_within_people_by_listing_every_sign() -> None:
    values = [2, 1, 1, 2, -1, 1, 0]
    sums = [abs(sum(s * v for s, v in zip(signs, values, strict=True))) for signs in product((1, -1), repeat=7)]
    assert swap_test(values) == pytest.approx(np.mean([s >= 6 for s in sums]))
    assert swap_test([1] * 9 + [-1] * 3) == pytest.approx(float(mcnemar(9, 3).p_exact))
    assert swap_test([0, 0]) == 1.0
    with pytest.raises(ValueError, match="whole numbers"):
        swap_test([0.5])


def test_few_people_with_several_knees_are_exchanged_as_people() -> None:
    a, b, present, person = drawn(7, people=20)
    made = found(compare_paired(a, b, present, person), "sensitivity")
    assert made.test == "permutation"
    assert made.statistic is None
    torn = present > 0
    sums = [int((a - b)[torn & (person == who)].sum()) for who in range(20)]
    assert made.p_value == pytest.approx(swap_test(sums))


def test_a_finding_that_is_missing_leaves_the_knee_out() -> None:
    a, b, present, person = drawn(8)
    holed = a.copy()
    holed[::3] = np.nan
    kept = ~np.isnan(holed)
    assert compare_paired(holed, b, present, person) == compare_paired(a[kept], b[kept], present[kept], person[kept])


def test_holm() -> None:
    assert holm([0.01, 0.02, 0.03, 0.005]) == pytest.approx([0.03, 0.04, 0.04, 0.02])
    assert holm([0.6, np.nan, 0.7]) == pytest.approx([1.0, np.nan, 1.0], nan_ok=True)
    assert holm([]).size == 0
    order = np.random.default_rng(0).permutation(5)
    p = np.array([0.2, 0.001, 0.04, 0.03, 0.5])
    assert holm(p[order]) == pytest.approx(holm(p)[order])
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])


@pytest.mark.parametrize(
    ("a", "b", "disease"),
    [([], [], []), ([1], [0], [1]), ([1, 0], [0, 1], [1, 1]), ([1] * 9, [1] * 9, [0] * 4 + [1] * 5),
     ([1, 0] * 6, [1, 0] * 6, [1] * 6 + [0] * 6), ([1] * 6 + [0] * 6, [0] * 6 + [1] * 6, [1] * 6 + [0] * 6)],
)  # fmt: skip
@pytest.mark.parametrize("clustered", [True, False])
def test_poor_inputs_give_nothing_rather_than_a_made_up_number(
    a: list[int], b: list[int], disease: list[int], clustered: bool
) -> None:
    made = compare_paired(a, b, disease, [n // 2 for n in range(len(a))] if clustered else None)
    for each in made:
        numbers = [each.estimate_a, each.estimate_b, each.value, each.ci_low, each.ci_high, each.statistic]
        assert all(number is None or math.isfinite(number) for number in numbers)
        assert (each.p_value is None) == (each.test == "")
        if each.only_a + each.only_b == 0:
            assert each.p_value is None
        if each.value is not None and each.ci_low is not None:
            assert each.ci_low <= each.value <= each.ci_high
            assert each.ci_low < each.ci_high


def test_wrong_arrays_are_refused() -> None:
    with pytest.raises(ValueError, match="test_a"):
        compare_paired([2, 0], [1, 0], [1, 0])
    with pytest.raises(ValueError, match="one value a knee"):
        compare_paired([1, 0], [1, 0], [1])


def test_sums_by_participant_are_of_the_row_and_of_what_is_taken() -> None:
    grouped = Grouped.of([1, 1, 1, 2, 3, 3]).by([0, 0, 1, 1, 0, 0], 2)
    values, taken = [1.0, 2.0, 4.0, 8.0, 16.0, 32.0], np.array([True, True, True, True, True, False])
    assert participant_sums(grouped, values, 0, taken).tolist() == [3.0, 16.0]
    assert participant_sums(grouped, values, 1, taken).tolist() == [4.0, 8.0]

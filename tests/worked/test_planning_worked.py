"""Sample sizes: printed examples, exact enumeration, and simulated power at the planned size."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import binom, binomtest, norm

from examtally.analytics import sample_size as planning
from examtally.analytics.diagnostic_accuracy.proportions import clopper_pearson


def test_buderer() -> None:
    # Buderer 1996: TP + FN = z^2 Se (1 - Se) / W^2, over the prevalence; z = 1.96, by hand: 34.57 / 0.2 = 172.87
    size = planning.half_width(0.9, 0.85, 0.1, 0.2)
    assert (size.with_condition, size.without) == (35, 49)
    assert (size.total_sensitivity, size.total_specificity, size.total) == (173, 62, 173)


def test_rounding_comes_last() -> None:
    # rounding 34.57 up first would give 35 / 0.2 = 175
    assert planning.half_width(0.9, 0.85, 0.1, 0.2).total_sensitivity == 173


@pytest.mark.parametrize(
    ("expected", "least", "first"),
    # Flahault, Cadilhac & Thomas, J Clin Epidemiol 2005;58:859-862: exact lower limit and power both 0.95
    [(0.60, 0.50, 268), (0.95, 0.85, 93), (0.90, 0.75, 70)],
)
def test_flahault(expected: float, least: float, first: int) -> None:
    size = planning.lower_limit(expected, least)
    assert size.first == first
    assert size.stable >= first


def _power_by_enumeration(n: int, expected: float, least: float, tail: float) -> float:
    """Every count, its chance, and whether its own Clopper-Pearson limit lies above."""
    counts = np.arange(n + 1)
    low = clopper_pearson(counts, n, 1 - 2 * tail).low
    chance = np.array([math.comb(n, k) * expected**k * (1 - expected) ** (n - k) for k in counts])
    return float(chance[low > least].sum())


@pytest.mark.parametrize(("expected", "least", "tail", "power"), [(0.95, 0.85, 0.05, 0.95), (0.9, 0.75, 0.025, 0.8)])
def test_the_lower_limit_by_enumeration(expected: float, least: float, tail: float, power: float) -> None:
    size = planning.lower_limit(expected, least, tail, power)
    assert _power_by_enumeration(size.first, expected, least, tail) >= power
    assert all(_power_by_enumeration(n, expected, least, tail) < power for n in range(5, size.first))
    assert all(_power_by_enumeration(n, expected, least, tail) >= power for n in range(size.stable, size.stable + 40))
    assert _power_by_enumeration(size.stable - 1, expected, least, tail) < power


def test_fleiss() -> None:
    # Fleiss 1981, section 3.2: 0.60 against 0.70, alpha 0.01 two-sided, power 0.95: 827 a group with the correction
    # (his eq. 3.15, here): n/4 (1 + sqrt(1 + 4/(n d)))^2 of the size n without it, before that was rounded up
    def corrected(n: int) -> float:
        return n / 4 * (1 + math.sqrt(1 + 4 / (n * 0.1))) ** 2

    plain = planning.unpaired(0.6, 0.7, tail=0.005, power=0.95)
    assert corrected(plain - 1) < 827 <= corrected(plain)


def test_fleiss_with_groups_of_unequal_size() -> None:
    # Fleiss 1981, section 3.4: 0.25 against 0.40, half as many in the second group, alpha 0.01 two-sided, power 0.95:
    # 530 and 265 with the correction (eq. 3.19, here, of Casagrande, Pike & Smith 1978) of the size without it
    def corrected(n: float, ratio: float, apart: float) -> float:
        return n / 4 * (1 + math.sqrt(1 + 2 * (ratio + 1) / (n * ratio * apart))) ** 2

    first, second = planning.unpaired_groups(0.25, 0.40, tail=0.005, power=0.95, ratio=0.5)
    assert round(corrected(first - 1, 0.5, 0.15)) <= 530 <= round(corrected(first, 0.5, 0.15))
    assert second == math.ceil(first / 2)


def test_woodward_one_sided_in_equal_groups() -> None:
    # Woodward, Epidemiology (2014), chapter 8: risk 413 in 100,000 a year over five years, relative risk 1.4, one-sided
    # alpha 0.05, power 0.90: 12,130 men in all
    risk = 5 * 413 / 100_000
    assert sum(planning.unpaired_groups(1.4 * risk, risk, tail=0.05, power=0.9)) == 12_130


@pytest.mark.parametrize("ratio", [0.25, 0.5, 2.0, 4.0])
def test_unequal_groups_have_the_power_and_cost_more(ratio: float) -> None:
    first, second = planning.unpaired_groups(0.85, 0.70, ratio=ratio)
    assert planning.unpaired_power(first, 0.85, 0.70, in_second=second) == pytest.approx(0.8, abs=0.03)
    assert first + second > 2 * planning.unpaired(0.85, 0.70)
    mirrored = planning.unpaired_groups(0.70, 0.85, ratio=1 / ratio)
    assert sum(mirrored) == pytest.approx(first + second, abs=1)


def test_clusters_of_both_kinds_add_up() -> None:
    # by hand: 121 independent knees a group, 12 + 12 examiners, rho = 0.3^2 x 0.775 x 0.225 = 0.01569; persons 1.2
    plan = planning.Examiners(12, 12, 0.3, people=1.2)
    knees = plan.needed(121, 0.775, 0.025, 0.8)
    effect = 1.2 + (knees / 12 - 1) * 0.3**2 * 0.775 * 0.225
    assert plan.design_effect(knees, 0.775) == pytest.approx(effect)
    assert plan.effective(knees, 0.775, 0.025, 0.8) == pytest.approx(121)
    assert knees > planning.Examiners(12, 12, 0.3).needed(121, 0.775, 0.025, 0.8)
    few = planning.Examiners(3, 3, 0.3)
    assert few.most(0.775, 0.025, 0.8) < 121
    least = few.least(121, 0.775, 0.025, 0.8)
    a_group = [planning.Examiners(k, k, 0.3).needed(121, 0.775, 0.025, 0.8) for k in (least - 1, least)]
    assert [math.isfinite(one) for one in a_group] == [False, True]


def test_connor_by_hand() -> None:
    # (1.959964 sqrt(0.2) + 0.841621 sqrt(0.2 - 0.01))^2 / 0.01 = (0.876523 + 0.366852)^2 / 0.01 = 154.60
    assert planning.paired(0.1, 0.2) == 155
    assert planning.paired_power(155, 0.1, 0.2) >= 0.8


def test_kappa_of_chance_agreement_has_variance_one_over_n() -> None:
    # Bloch & Kraemer 1989: at kappa 0 the variance is 1/n whatever the share of positives
    assert planning.kappa_variance(0.0, 0.5) == planning.kappa_variance(0.0, 0.1) == 1.0
    # at kappa 1 nothing varies; at 0.5 and one half: 0.5 (0 + 0.75 / 0.5) = 0.75
    assert planning.kappa_variance(0.5, 0.5) == pytest.approx(0.75)
    assert planning.kappa_half_width(0.5, 0.5, 0.1) == math.ceil(1.959964**2 * 75)


SIMULATED = 20_000


def _within(share: float, stated: float) -> bool:
    """Within three Monte-Carlo standard errors."""
    return abs(share - stated) < 3 * math.sqrt(stated * (1 - stated) / SIMULATED)


@pytest.mark.parametrize(("difference", "discordant"), [(0.1, 0.2), (0.05, 0.12), (0.1, 0.3)])
def test_simulated_power_of_the_paired_comparison(difference: float, discordant: float) -> None:
    """The mid-p test on tables drawn at the planned size (seed 20261125); the formula is close to what it promises."""
    n = planning.paired(difference, discordant)
    more, less = (discordant + difference) / 2, (discordant - difference) / 2
    cells = np.random.default_rng(20261125).multinomial(n, [more, less, 1 - discordant], SIMULATED)
    share = float((_mid_p(cells[:, 0], cells[:, 1]) <= 0.05).mean())
    stated = planning.paired_power(n, difference, discordant)
    assert _within(share, stated)
    assert stated == pytest.approx(0.8, abs=0.03)


def _mid_p(b: np.ndarray, c: np.ndarray) -> np.ndarray:
    few, all_of = np.minimum(b, c), b + c
    tails = 2 * binom.cdf(few, all_of, 0.5) - binom.pmf(few, all_of, 0.5)
    return np.where(b == c, 1 - binom.pmf(few, all_of, 0.5) / 2, tails)


def test_simulated_power_of_the_unpaired_comparison() -> None:
    """The chi-squared test with N - 1, on counts drawn at the planned size (seed 20261126)."""
    n = planning.unpaired(0.85, 0.7)
    rng = np.random.default_rng(20261126)
    a, b = rng.binomial(n, 0.85, SIMULATED) / n, rng.binomial(n, 0.7, SIMULATED) / n
    mean = (a + b) / 2
    z = (a - b) / np.sqrt(2 * mean * (1 - mean) / n) * math.sqrt((2 * n - 1) / (2 * n))
    stated = planning.unpaired_power(n, 0.85, 0.7)
    assert _within(float((np.abs(z) > norm.isf(0.025)).mean()), stated)
    assert stated == pytest.approx(0.8, abs=0.02)


def test_the_lower_limit_where_a_single_knee_is_enough() -> None:
    # one success: P(X >= 1 | 0.01) = 0.01 <= 0.05, so the limit lies above 0.01 whenever the knee is a success
    assert planning.lower_limit(0.99, 0.01, 0.05, 0.5) == planning.ExactSize(1, 1)


def test_simulated_power_of_the_lower_limit() -> None:
    """Counts drawn at the planned size; the exact limit is that of scipy's binomial test (seed 20261127)."""
    size = planning.lower_limit(0.9, 0.75, tail=0.025, power=0.8)
    counts = np.random.default_rng(20261127).binomial(size.stable, 0.9, SIMULATED)
    above = {k: binomtest(int(k), size.stable).proportion_ci(0.95, "exact").low > 0.75 for k in np.unique(counts)}
    share = float(np.mean([above[k] for k in counts]))
    stated = float(planning.limit_power(size.stable, 0.9, 0.75, 0.025))
    assert stated >= 0.8
    assert _within(share, stated)


def test_simulated_spread_of_kappa() -> None:
    """Pairs drawn with a common share and kappa; the spread of kappa is that planned for (seed 20261128)."""
    kappa, positive, width = 0.6, 0.3, 0.1
    n = planning.kappa_half_width(kappa, positive, width)
    both = positive**2 + kappa * positive * (1 - positive)
    one = positive - both
    cells = np.random.default_rng(20261128).multinomial(n, [both, one, one, 1 - both - 2 * one], SIMULATED)
    share = (2 * cells[:, 0] + cells[:, 1] + cells[:, 2]) / (2 * n)
    estimate = 1 - (cells[:, 1] + cells[:, 2]) / (2 * n * share * (1 - share))
    assert norm.isf(0.025) * estimate.std() == pytest.approx(width, rel=0.05)


def test_sizes_grow_as_they_should() -> None:
    assert planning.half_width(0.9, 0.85, 0.05, 0.2).total > planning.half_width(0.9, 0.85, 0.1, 0.2).total
    swapped = planning.half_width(0.85, 0.9, 0.1, 0.8)
    assert (swapped.total_specificity, swapped.total_sensitivity) == (173, 62)
    assert planning.paired(0.1, 0.3) > planning.paired(0.1, 0.2)
    assert planning.unpaired(0.8, 0.7) == planning.unpaired(0.7, 0.8)


def test_losses_and_clusters_inflate() -> None:
    assert planning.inflate(100, planning.Shares(1, 1, 1, 1)) == 100
    assert planning.inflate(100, planning.Shares(0.5, 0.9, 0.8, 1.2)) == math.ceil(100 * 1.2 / 0.36)
    with pytest.raises(ValueError, match="deff"):
        planning.inflate(100, planning.Shares(0, 1, 1, 1))


@pytest.mark.parametrize("name", ["sensitivity", "width", "prevalence"])
def test_a_share_outside_its_range_is_refused_by_name(name: str) -> None:
    good = {"sensitivity": 0.9, "specificity": 0.9, "width": 0.1, "prevalence": 0.2}
    for bad in (0.0, 1.0, math.nan):
        with pytest.raises(ValueError, match=name):
            planning.half_width(**{**good, name: bad})

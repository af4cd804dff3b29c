"""How many knees a study needs, before any of its results are seen. Plain numbers in, frozen results out.

Shares lie strictly between 0 and 1; ValueError names the argument that does not. Sizes are whole numbers, rounded up
last, after every division. `tail` is the chance of a false claim on one side: half of alpha where the interval has two.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.stats import binom, norm
from scipy.stats import t as student
from statsmodels.stats.power import normal_sample_size_one_tail
from statsmodels.stats.proportion import samplesize_confint_proportion, samplesize_proportions_2indep_onetail

from examtally.analytics.calibration.forecasts import IntArray
from examtally.analytics.intervals import FloatArray

_MOST = 200_000
_FIRST_LOOK = 4_000
_NEGLIGIBLE = 1e-12


@dataclass(frozen=True)
class TwoSided:
    """Knees for sensitivity and for specificity; `with_condition` and `without` are those inside each denominator."""

    with_condition: int
    without: int
    total_sensitivity: int
    total_specificity: int

    @property
    def total(self) -> int:
        """Knees that serve both."""
        return max(self.total_sensitivity, self.total_specificity)


@dataclass(frozen=True)
class ExactSize:
    """Events' denominator by the exact binomial: `first` reaches the power, from `stable` on every size does.

    The power is saw-toothed, so that sizes between the two may miss it; tables in print give `first`.
    """

    first: int
    stable: int


@dataclass(frozen=True)
class Shares:
    """What becomes of a knee on its way to the analysis: all shares of the step before, `deff` at least 1."""

    verified: float
    interpretable: float
    mature: float
    deff: float

    @property
    def factor(self) -> float:
        """Knees to examine for each knee that is needed."""
        return self.deff / (self.verified * self.interpretable * self.mature)


def half_width(
    sensitivity: float,
    specificity: float,
    width: float,
    prevalence: float,
    tail: float = 0.025,
    specificity_width: float | None = None,
) -> TwoSided:
    """Knees for intervals of sensitivity and of specificity with half-width `width` at a prevalence.

    `specificity_width` is the half-width for specificity where it is another.

    Source: Buderer NMF. Acad Emerg Med 1996;3:895-900 (TP + FN = z^2 Se (1 - Se) / W^2, divided by the prevalence;
    likewise for specificity). Rounded up after the division.

    >>> half_width(0.9, 0.85, 0.1, 0.2).total
    173
    """
    widths = (width, width if specificity_width is None else specificity_width)
    _shares(sensitivity=sensitivity, specificity=specificity, width=width, prevalence=prevalence)
    _shares(specificity_width=widths[1])
    diseased, sound = (
        samplesize_confint_proportion(one, wide, 2 * tail)
        for one, wide in zip((sensitivity, specificity), widths, strict=True)
    )
    return TwoSided(_up(diseased), _up(sound), _up(diseased / prevalence), _up(sound / (1 - prevalence)))


def lower_limit(expected: float, least: float, tail: float = 0.05, power: float = 0.95) -> ExactSize:
    """Knees in the denominator so that the exact one-sided lower limit lies above `least` with chance `power`.

    Source: Flahault A, Cadilhac M, Thomas G. J Clin Epidemiol 2005;58:859-862 (exact binomial, limit and power 0.95);
    its table gives `first`.

    >>> lower_limit(0.95, 0.85).first, lower_limit(0.90, 0.75).first, lower_limit(0.60, 0.50).first
    (93, 70, 268)
    """
    _shares(expected=expected, least=least, tail=tail, power=power)
    if expected <= least:
        raise ValueError("expected must lie above least")
    span = _FIRST_LOOK
    while True:
        sizes = np.arange(1, span + 1)
        reached = limit_power(sizes, expected, least, tail) >= power
        missed = np.flatnonzero(~reached)
        last = int(missed[-1]) if missed.size else -1
        if reached.any() and last < span // 2:
            return ExactSize(int(sizes[np.argmax(reached)]), last + 2)
        if span >= _MOST:
            raise ValueError("expected and least lie too close for any study")
        span *= 4


def limit_power(sizes: npt.ArrayLike, expected: float, least: float, tail: float) -> FloatArray:
    """Chance that the exact lower limit lies above `least`, for each size: the limit does so from a count on."""
    needed = binom.isf(tail, sizes, least) + 1
    return np.asarray(binom.sf(needed - 1, sizes, expected), dtype=np.float64)


def paired(difference: float, discordant: float, tail: float = 0.025, power: float = 0.8) -> int:
    """Knees examined with both tests, all with the condition, to find a difference in sensitivity by McNemar's test.

    `discordant` is the share of knees in which the tests differ, not below the difference.

    Source: Connor RJ. Biometrics 1987;43:207-211 (n = (z_a sqrt(psi) + z_b sqrt(psi - d^2))^2 / d^2).
    """
    _shares(difference=difference, discordant=discordant, tail=tail, power=power)
    if discordant < difference:
        raise ValueError("discordant cannot be below difference")
    spread, apart = math.sqrt(discordant), math.sqrt(discordant - difference**2)
    return _up(normal_sample_size_one_tail(difference, power, tail, std_null=spread, std_alternative=apart))


def paired_power(knees: int, difference: float, discordant: float, tail: float = 0.025) -> float:
    """Power of McNemar's mid-p test with this many knees, summed over every table that can come.

    Sizes by `paired` lie a little off the power they were asked for; this is what they have.

    Source of the test: Fagerland MW, Lydersen S, Laake P. BMC Med Res Methodol 2013;13:91. The sum is over the number
    m of knees that differ, binomial (knees, discordant), and over the m that favour the first test.

    >>> f"{paired_power(155, 0.1, 0.2):.3f}"
    '0.808'
    """
    low, high = (int(binom.ppf(edge, knees, discordant)) for edge in (_NEGLIGIBLE, 1 - _NEGLIGIBLE))
    favour = (discordant + difference) / 2 / discordant
    differing = np.arange(low, high + 1)
    chance = binom.pmf(differing, knees, discordant)
    return float(sum(weight * _rejected(int(m), favour, tail) for m, weight in zip(differing, chance, strict=True)))


@lru_cache(maxsize=100_000)
def _rejected(differing: int, favour: float, tail: float) -> float:
    """Chance of a two-sided mid-p at most 2 x tail, given how many knees differ."""
    lower = np.arange(differing // 2 + 1)
    mid_p = 2 * binom.cdf(lower, differing, 0.5) - binom.pmf(lower, differing, 0.5)
    found = lower[(mid_p <= 2 * tail) & (2 * lower < differing)]
    if not found.size:
        return 0.0
    most = int(found[-1])
    return float(binom.cdf(most, differing, favour) + binom.sf(differing - most - 1, differing, favour))


def independent_discordance(first: float, second: float) -> float:
    """Share of knees in which two tests differ if they err independently: the largest that is plausible.

    Source: Connor 1987, section 2; positive dependence between two tests of one knee makes it smaller.
    """
    return first * (1 - second) + second * (1 - first)


def unpaired(first: float, second: float, tail: float = 0.025, power: float = 0.8) -> int:
    """Knees with the condition in each of two groups of equal size to find a difference in sensitivity.

    Source: Fleiss JL. Statistical Methods for Rates and Proportions, 2nd ed. 1981, eq. 3.14.

    >>> unpaired(0.6, 0.7, tail=0.005, power=0.95)
    808
    """
    return unpaired_groups(first, second, tail, power)[0]


def unpaired_groups(
    first: float, second: float, tail: float = 0.025, power: float = 0.8, ratio: float = 1.0
) -> tuple[int, int]:
    """Knees with the condition in each of two groups, `ratio` times as many in the second as in the first.

    Source: Fleiss JL. Statistical Methods for Rates and Proportions, 2nd ed. 1981, eq. 3.18 (without continuity
    correction, as the chi-squared test with N - 1 has none).

    >>> unpaired_groups(0.25, 0.40, tail=0.005, power=0.95, ratio=0.5)
    (511, 256)
    """
    _shares(first=first, second=second, tail=tail, power=power)
    if first == second:
        raise ValueError("first and second must differ")
    if not 0 < ratio < math.inf:
        raise ValueError("ratio must lie above 0")
    found = samplesize_proportions_2indep_onetail(first - second, second, power, ratio=ratio, alpha=2 * tail)
    return _up(found), _up(ratio * found)


def unpaired_power(knees: int, first: float, second: float, tail: float = 0.025, in_second: int | None = None) -> float:
    """Power of the chi-squared test with N - 1 with this many knees a group, summed over every pair of counts.

    `in_second` are the knees of the second group where they are others than those of the first.

    Source of the test: Campbell I. Stat Med 2007;26:3661-3675.

    >>> f"{unpaired_power(121, 0.85, 0.7):.3f}"
    '0.809'
    """
    n, m = knees, knees if in_second is None else in_second
    a, b = _likely(n, first), _likely(m, second)
    mean = (a[:, None] + b[None, :]) / (n + m)
    spread = np.sqrt(np.maximum(mean * (1 - mean) * (1 / n + 1 / m), np.finfo(float).tiny))
    statistic = np.abs(a[:, None] / n - b[None, :] / m) / spread * np.sqrt(1 - 1 / (n + m))
    is_found = statistic > quantile(tail)
    return float(binom.pmf(a, n, first) @ is_found @ binom.pmf(b, m, second))


@dataclass(frozen=True)
class Examiners:
    """Two groups of examiners, as many as there are, whose skill varies: `spread` is its standard deviation, logit.

    `ratio` is how many knees the second group has for each of the first; `people` the design effect of several knees a
    person. Both kinds of clusters add up: each group's variance is p(1 - p)/n (people + (n/k - 1) rho), k examiners.

    Source: Hemming K et al. BMC Med Res Methodol 2011;11:102, eq. 6 (fixed number of clusters); Cameron AC, Gelbach JB,
    Miller DL. J Bus Econ Stat 2011;29:238-249 (clusters of two kinds).
    """

    first: int
    second: int
    spread: float
    ratio: float = 1.0
    people: float = 1.0

    def correlation(self, typical: float) -> float:
        """Correlation of two knees of one examiner at a typical proportion (delta method)."""
        return self.spread**2 * typical * (1 - typical)

    def needed(self, knees: int, typical: float, tail: float, power: float) -> float:
        """Knees in the first group, from those of independent knees; infinite where no number of knees is enough.

        Quantiles of t on examiners - 2 take the place of normal ones.

        >>> round(Examiners(12, 12, 0.3).needed(121, 0.775, 0.025, 0.8))
        158
        """
        rho, groups = self.correlation(typical), 1 + 1 / self.ratio
        left = groups / (knees * self._widened(tail, power)) - rho * self._clusters()
        return (self.people - rho) * groups / left if left > 0 else math.inf

    def effective(self, knees: float, typical: float, tail: float, power: float) -> float:
        """Independent knees in the first group that `knees` there are worth; the inverse of `needed`."""
        return knees / self.design_effect(knees, typical) / self._widened(tail, power)

    def design_effect(self, knees: float, typical: float) -> float:
        """By what the variance of the difference is raised, with this many knees in the first group."""
        rho, groups = self.correlation(typical), 1 + 1 / self.ratio
        return max(self.people - rho + knees * rho * self._clusters() / groups, 1.0)

    def most(self, typical: float, tail: float, power: float) -> float:
        """Independent knees in the first group that any number of knees is worth."""
        rho, groups = self.correlation(typical), 1 + 1 / self.ratio
        return groups / (rho * self._clusters()) / self._widened(tail, power)

    def least(self, knees: int, typical: float, tail: float, power: float) -> int:
        """Examiners a group from which on some number of knees is enough."""
        a_group = math.floor(knees * self.correlation(typical)) + 1
        while not math.isfinite(replace(self, first=a_group, second=a_group).needed(knees, typical, tail, power)):
            a_group += 1
        return a_group

    def _clusters(self) -> float:
        return 1 / self.first + 1 / self.second

    def _widened(self, tail: float, power: float) -> float:
        df = self.first + self.second - 2
        if df < 1:
            return math.inf
        return float(((student.isf(tail, df) + student.ppf(power, df)) / (norm.isf(tail) + norm.ppf(power))) ** 2)


def _likely(knees: int, share: float) -> IntArray:
    """Counts that can come with more than a negligible chance."""
    return np.arange(int(binom.ppf(_NEGLIGIBLE, knees, share)), int(binom.ppf(1 - _NEGLIGIBLE, knees, share)) + 1)


def kappa_variance(kappa: float, positive: float) -> float:
    """Variance of kappa times the number of pairs, for two examiners with the same share of positive findings.

    Source: Bloch DA, Kraemer HC. Biometrics 1989;45:269-287 (intraclass kappa of a dichotomy).

    >>> f"{kappa_variance(0.0, 0.5):.1f}"
    '1.0'
    """
    common = kappa * (2 - kappa) / (2 * positive * (1 - positive))
    return (1 - kappa) * ((1 - kappa) * (1 - 2 * kappa) + common)


def kappa_half_width(kappa: float, positive: float, width: float, tail: float = 0.025) -> int:
    """Pairs of exams for an interval of kappa with half-width `width`; see `kappa_variance`."""
    _shares(kappa=kappa, positive=positive, width=width)
    return _up(quantile(tail) ** 2 * kappa_variance(kappa, positive) / width**2)


def inflate(knees: int, shares: Shares) -> int:
    """Knees to examine so that `knees` reach the analysis.

    Clustering multiplies (Kish L. Survey Sampling, 1965, section 8.2); losses divide.

    >>> inflate(100, Shares(verified=0.5, interpretable=0.9, mature=1.0, deff=1.1))
    245
    """
    if shares.deff < 1 or not all(0 < one <= 1 for one in (shares.verified, shares.interpretable, shares.mature)):
        raise ValueError("deff must be at least 1, and every share above 0 and at most 1")
    return _up(knees * shares.factor)


def design_effect(squared: float, total: float, correlation: float) -> float:
    """1 + (mean knees of a knee's own participant - 1) x correlation, from the sum of squared cluster sizes.

    Source: Kish 1965, eq. 5.4.1, with the size-weighted mean for clusters of unequal size.

    >>> design_effect(squared=40 * 4, total=80, correlation=0.5)
    1.5
    """
    return 1 + max(squared / total - 1, 0.0) * correlation


def _shares(**given: float) -> None:
    for name, value in given.items():
        if not 0 < value < 1:
            raise ValueError(f"{name} must lie above 0 and below 1")


def quantile(tail: float) -> float:
    """Standard normal value with this chance above it."""
    return float(norm.isf(tail))


def _up(number: float) -> int:
    """The next whole number; a hair above one, from rounding, is that number."""
    return math.ceil(number - 1e-9)

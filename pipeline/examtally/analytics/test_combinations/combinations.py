"""Several maneuvers as one test: positive if any is, or if all are, counted from the joint table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.test_combinations.joint import JointFindings, tally

RULES = ("any_of", "all_of")


@dataclass(frozen=True)
class SeriesParallel:
    """Accuracy of two tests as one: series (both positive) and parallel (either), and how far covariances can go."""

    series_sens: float
    series_spec: float
    parallel_sens: float
    parallel_spec: float
    cov_sens_max: float
    cov_sens_min: float
    cov_spec_max: float
    cov_spec_min: float


def series_parallel(
    sens1: float, spec1: float, sens2: float, spec2: float, cov_sens: float = 0.0, cov_spec: float = 0.0
) -> SeriesParallel:
    """Combine two tests from their accuracy and the covariance of their findings given the condition, and without it.

    All are probabilities; a covariance outside its limits is refused (ValueError). Without covariances the tests are
    taken as independent, which two tests of one structure seldom are.

    Source: Gardner IA, Stryhn H, Lind P, Collins MT. Prev Vet Med 2000;45:107-122, section 2.

    >>> found = series_parallel(0.8, 0.9, 0.7, 0.95, cov_sens=0.05, cov_spec=0.02)
    >>> [round(value, 3) for value in (found.series_sens, found.series_spec, found.parallel_sens, found.parallel_spec)]
    [0.61, 0.975, 0.89, 0.875]
    """
    if not all(0 <= value <= 1 for value in (sens1, spec1, sens2, spec2)):
        raise ValueError("sensitivities and specificities lie within 0 and 1")
    low_sens, high_sens = covariance_limits(sens1, sens2)
    low_spec, high_spec = covariance_limits(spec1, spec2)
    slack = 1e-12
    if not (low_sens - slack <= cov_sens <= high_sens + slack and low_spec - slack <= cov_spec <= high_spec + slack):
        raise ValueError(
            f"cov_sens must lie within {low_sens:g} and {high_sens:g}, cov_spec within {low_spec:g} and {high_spec:g}"
        )
    return SeriesParallel(
        series_sens=sens1 * sens2 + cov_sens,
        series_spec=1 - (1 - spec1) * (1 - spec2) - cov_spec,
        parallel_sens=1 - (1 - sens1) * (1 - sens2) - cov_sens,
        parallel_spec=spec1 * spec2 + cov_spec,
        cov_sens_max=high_sens,
        cov_sens_min=low_sens,
        cov_spec_max=high_spec,
        cov_spec_min=low_spec,
    )


def covariance_limits(first: float, second: float) -> tuple[float, float]:
    """Smallest and largest covariance of two findings with these probabilities: Gardner 2000, section 2.2."""
    product = first * second
    return max(-product, -(1 - first) * (1 - second)), min(first, second) - product


@dataclass(frozen=True)
class Combination:
    """One rule over some maneuvers, on the n knees where each of them gave a finding.

    `counts` holds cells, products and participants as `tally` gives them; `if_independent` what sensitivity,
    specificity and likelihood ratios the maneuvers' own figures on these knees would make if findings were independent
    given the condition: NaN where a side is empty, infinite where nothing is below the line.
    """

    rule: str
    maneuvers: tuple[str, ...]
    counts: Mapping[str, int]
    if_independent: Mapping[str, float]


def combine(joint: JointFindings, rule: str) -> Combination:
    """Count one rule, `any_of` or `all_of`, over all maneuvers of `joint`; knees with a gap are left out.

    ValueError for another rule. Source: direct count of the joint table; Gardner 2000 for the products beside it.

    >>> pairs = JointFindings.of([[1, 1], [1, 0], [0, 0], [0, 1]], [1, 1, 1, 0])
    >>> found = combine(pairs, "any_of")
    >>> found.counts["tp"], found.counts["fn"], round(found.if_independent["sensitivity"], 4)
    (2, 1, 0.7778)
    """
    if rule not in RULES:
        raise ValueError(f"rule must be one of {', '.join(RULES)}")
    whole = joint.among(joint.maneuvers)
    positive = whole.findings > 0
    combined = np.asarray(positive.any(axis=1) if rule == "any_of" else positive.all(axis=1))
    counts = tally(combined, whole.present, whole.participant)
    sensitivity = _multiplied(positive[whole.present], rule)
    specificity = 1 - _multiplied(positive[~whole.present], rule)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratios = np.float64(sensitivity) / (1 - specificity), np.float64(1 - sensitivity) / specificity
    return Combination(
        rule,
        joint.maneuvers,
        MappingProxyType(counts),
        MappingProxyType(
            {
                "sensitivity": sensitivity,
                "specificity": specificity,
                "lr_positive": float(ratios[0]),
                "lr_negative": float(ratios[1]),
            }
        ),
    )


def _multiplied(positive: BoolArray, rule: str) -> float:
    """Share of positive combinations that the shares of the single maneuvers multiply to."""
    if not len(positive):
        return float("nan")
    shares: FloatArray = positive.mean(axis=0)
    return float(1 - np.prod(1 - shares) if rule == "any_of" else np.prod(shares))

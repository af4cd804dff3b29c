"""Several maneuvers as one test: positive if any is, or if all are, counted from the joint table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.test_combinations.joint import JointFindings, tally

RULES = ("any_of", "all_of")


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

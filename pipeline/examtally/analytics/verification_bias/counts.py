"""The table behind partial verification: findings by what the reference said, unverified knees among them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType

KINDS = (
    *("positive_present", "positive_absent", "positive_unverified"),
    *("negative_present", "negative_absent", "negative_unverified"),
)
"""The six kinds of knee, in the order of every array of counts here."""

# Bounds that assume nothing: for each measure and end the knees that count as events, and the rest of the denominator.
CORNERS: Mapping[tuple[str, str], tuple[tuple[int, ...], tuple[int, ...]]] = MappingProxyType(
    {
        ("prevalence", "lower"): ((0, 3), (1, 2, 4, 5)),
        ("prevalence", "upper"): ((0, 2, 3, 5), (1, 4)),
        ("sensitivity", "lower"): ((0,), (3, 5)),
        ("sensitivity", "upper"): ((0, 2), (3,)),
        ("specificity", "lower"): ((4,), (1, 2)),
        ("specificity", "upper"): ((4, 5), (1,)),
        ("ppv", "lower"): ((0,), (1, 2)),
        ("ppv", "upper"): ((0, 2), (1,)),
        ("npv", "lower"): ((4,), (3, 5)),
        ("npv", "upper"): ((4, 5), (3,)),
        ("accuracy", "lower"): ((0, 4), (1, 2, 3, 5)),
        ("accuracy", "upper"): ((0, 2, 4, 5), (1, 3)),
    }
)
BOUNDED = tuple(dict.fromkeys(measure for measure, _ in CORNERS))


@dataclass(frozen=True)
class VerificationCounts:
    """Interpretable findings of one maneuver: positive and negative, each with, without and unverified.

    Knees with an indeterminate reference are unverified. ValueError for a negative count.
    """

    positive_present: float
    positive_absent: float
    positive_unverified: float
    negative_present: float
    negative_absent: float
    negative_unverified: float

    def __post_init__(self) -> None:
        for field in fields(self):
            if not getattr(self, field.name) >= 0:
                raise ValueError(f"{field.name} is a count, 0 or more")

    @property
    def positive(self) -> float:
        """Knees with a positive finding."""
        return self.positive_present + self.positive_absent + self.positive_unverified

    @property
    def negative(self) -> float:
        """Knees with a negative finding."""
        return self.negative_present + self.negative_absent + self.negative_unverified

    @property
    def verified_positive(self) -> float:
        """Verified knees with a positive finding."""
        return self.positive_present + self.positive_absent

    @property
    def verified_negative(self) -> float:
        """Verified knees with a negative finding."""
        return self.negative_present + self.negative_absent

    @property
    def obstacle(self) -> str:
        """Why nothing but the bounds can be given, in a sentence; empty where more can."""
        return obstacle(self.positive, self.verified_positive, self.negative, self.verified_negative)


def obstacle(positive: float, verified_positive: float, negative: float, verified_negative: float) -> str:
    """Say why no correction is possible at all; empty where one is."""
    if not positive + negative:
        return "No «noun» with a positive or negative finding."
    if not verified_positive + verified_negative:
        return "No verified «noun»."
    for name, knees, verified in (("positive", positive, verified_positive), ("negative", negative, verified_negative)):
        if not knees:
            return f"No «noun» with a {name} finding."
        if not verified:
            return f"No «noun» with a {name} finding was verified: only bounds can be given."
    return ""

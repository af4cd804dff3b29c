"""The table behind partial verification: findings by what the reference said, unverified knees among them."""

from __future__ import annotations

from dataclasses import dataclass, fields


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

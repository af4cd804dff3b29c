"""Who was verified: how often after a positive and after a negative finding, and what follows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from examtally.reporting.engine.numbers import share_of

CORRECTED = (
    "Tables and forest plots show «nouns» that were imaged or operated on, as they are. Where a positive finding makes "
    "imaging more likely, sensitivity there comes out too high and specificity too low. Beneath them stand the figures "
    "corrected for verification bias alone, which take every reading for the truth."
)
UNCORRECTED = (
    "The figures describe «nouns» that were imaged or operated on and are not corrected for who was. Where a positive "
    "finding makes imaging more likely, sensitivity comes out too high and specificity too low."
)
NAMED = "that nothing but what was written down decided who was imaged or operated on"
ASSUMED = f"The correction assumes {NAMED}."
_CLEAR = 0.05  # difference of the two shares below which neither direction is named


@dataclass(frozen=True)
class Verified:
    """Verified knees, of all with a clear finding, after each result."""

    positive: int
    all_positive: int
    negative: int
    all_negative: int

    @classmethod
    def of(cls, tally: Mapping[str, int]) -> Verified:
        """Count from the tally of one pair; knees whose answer may still come are left out there."""
        positive, negative = tally["tp"] + tally["fp"], tally["fn"] + tally["tn"]
        return cls(
            positive,
            positive + tally["unverified_positive"] + tally["indeterminate_positive"],
            negative,
            negative + tally["unverified_negative"] + tally["indeterminate_negative"],
        )

    @property
    def difference(self) -> float | None:
        """Share known after a positive finding minus that after a negative one; None where either has no knee."""
        if not self.all_positive or not self.all_negative:
            return None
        return self.positive / self.all_positive - self.negative / self.all_negative

    @property
    def leaning(self) -> int:
        """1 where positive findings, -1 where negative ones had their answer clearly more often, else 0."""
        difference = self.difference or 0.0
        return (difference > _CLEAR) - (difference < -_CLEAR)

    @property
    def shares(self) -> str:
        """How often knees were verified after each finding; empty where either was never seen."""
        if self.difference is None:
            return ""
        return (
            f"{share_of(self.positive, self.all_positive)} «nouns» were verified after a positive finding, "
            f"{share_of(self.negative, self.all_negative)} after a negative one."
        )

    def sentence(self, name: str) -> str:
        """What was seen, and which way the figures err."""
        if self.difference is None:
            return ""
        seen = f"{name}: {self.shares}"
        if self.leaning > 0:
            return (
                f"{seen} So sensitivity here is likely too high and specificity too low; neither is corrected for this."
            )
        if self.leaning < 0:
            return (
                f"{seen} So sensitivity here is likely too low and specificity too high; neither is corrected for this."
            )
        return f"{seen} The two are close, so that imaging by this finding alone distorts little; other findings may."

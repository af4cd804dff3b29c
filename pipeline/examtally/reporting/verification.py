"""Who was imaged: how often the answer became known after a positive and after a negative finding, and what follows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from examtally.reporting.numbers import share_of

UNCORRECTED = (
    "The figures describe knees that were imaged or operated on and are not corrected for who was. Where a positive "
    "finding makes imaging more likely, sensitivity comes out too high and specificity too low."
)
_CLEAR = 0.05  # difference of the two shares below which neither direction is named


@dataclass(frozen=True)
class Verified:
    """Knees whose answer became known, of all with a clear finding, after each result."""

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

    def sentence(self, name: str) -> str:
        """What was seen, and which way the figures err."""
        if self.difference is None:
            return ""
        seen = (
            f"{name}: after a positive finding the answer became known for "
            f"{share_of(self.positive, self.all_positive)} knees, after a negative one for "
            f"{share_of(self.negative, self.all_negative)}."
        )
        if self.difference > _CLEAR:
            return (
                f"{seen} So sensitivity here is likely too high and specificity too low; neither is corrected for this."
            )
        if self.difference < -_CLEAR:
            return (
                f"{seen} So sensitivity here is likely too low and specificity too high; neither is corrected for this."
            )
        return f"{seen} The two are close, so that imaging by this finding alone distorts little; other findings may."

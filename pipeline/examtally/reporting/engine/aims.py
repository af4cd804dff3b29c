"""What each way of making a figure aims at: what a page calls it, and when it is right."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from examtally.reporting.engine.tables import details


@dataclass(frozen=True)
class Aim:
    """The name of an adjustment on a page, and the sentence that tells it from the leading estimate."""

    name: str
    sentence: str


LEADING = "All examined «nouns» count, imaged or not, and errors of the reference tests are allowed for."
"""What stands beside the leading estimate."""

AIMS = {
    "none": Aim(
        "verified «nouns» only",
        "*Verified «nouns» only* counts imaged or operated «nouns» as they were read. It is right where every «noun» "
        "is imaged and the tests make no errors; otherwise sensitivity or specificity is off.",
    ),
    "verification": Aim(
        "corrected for verification bias alone",
        "*Corrected for verification bias alone* stands for all «nouns» but takes every reading for the truth. It is "
        "right where the tests make no errors.",
    ),
    "reference_error": Aim(
        "corrected for an imperfect reference standard as well",
        "*Corrected for an imperfect reference standard as well* takes the published accuracy of the tests as exact. "
        "It is right where that holds here to the digit.",
    ),
    "bounds": Aim(
        "bounds",
        "*Bounds* are the least and the most that the «nouns» without a result leave possible. They are right whatever "
        "those «nouns» have, if the tests make no errors.",
    ),
}
"""Adjustments that may stand beneath the leading estimate, each with what it aims at."""


def told(adjustments: Iterable[str]) -> str:
    """The sentences of some adjustments, in their order."""
    return " ".join(AIMS[one].sentence for one in adjustments)


def fold(title: str, text: str) -> str:
    """Put text under a fold of the page on a screen; paper leaves it out."""
    return f"\n:::::: screen\n{details(title, text)}\n::::::\n"

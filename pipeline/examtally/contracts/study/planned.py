"""What a study is planned for, as its protocol says it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, TypeAlias

from examtally.contracts.declaration import Section
from examtally.contracts.kinds import Between, Code, Maybe, Share, Text, Whole

NUMBERS = (
    *("sensitivity", "specificity", "half_width", "lower_limit", "difference"),
    *("discordant", "kappa", "positive_share", "specificity_half_width", "specificity_lower_limit"),
    *("specificity_difference", "specificity_discordant", "allocation", "published", "specificity_published"),
)
_MOST_KNEES, _MOST_ALLOCATION = 1_000_000, 100

Aim: TypeAlias = Annotated[
    str,
    Code(
        "an aim",
        {
            "half_width": "interval of sensitivity and specificity of a stated half-width",
            "lower_limit": "lower limit of sensitivity, or specificity, above a stated value",
            "paired": "a difference in sensitivity, or specificity, between two tests on the same «nouns»",
            "unpaired": "a difference in sensitivity, or specificity, between two groups",
            "kappa_half_width": "interval of kappa of a stated half-width",
        },
    ),
]
PlannedMeasure: TypeAlias = Annotated[
    str,
    Code(
        "a measure",
        {
            "sensitivity": "of «nouns» with the condition",
            "specificity": "of «nouns» without the condition",
            "both": "both together; the power is the chance of reaching both",
        },
    ),
]


@dataclass(frozen=True)
class PlannedSizeEntry(Section):
    """What the size is computed for."""

    knees: Maybe[Annotated[int, Whole(1, _MOST_KNEES)]] = None
    """«Nouns» that are planned for, verified or not; `examtally study plan` computes it."""
    aim: Maybe[Aim] = None
    """What the size is computed for."""
    test: Maybe[Annotated[str, Text()]] = None
    """The index test it is computed for; the first of the first primary analysis where left out."""
    measure: PlannedMeasure = "sensitivity"
    """What is planned for, for lower_limit, paired and unpaired; half_width plans for both."""
    sensitivity: Maybe[Share] = None
    """Expected sensitivity, from the literature or a pilot: never from these results."""
    specificity: Maybe[Share] = None
    """Expected specificity, likewise."""
    half_width: Maybe[Share] = None
    """Wanted half-width of the interval, for half_width and kappa_half_width."""
    lower_limit: Maybe[Share] = None
    """Value that the lower limit shall exceed, for lower_limit."""
    difference: Maybe[Share] = None
    """Difference in the measure between the two tests or groups that shall be found, for paired and unpaired."""
    discordant: Maybe[Share] = None
    """Expected share of «nouns» with the condition (for specificity: without it) in which the two tests differ, for
    paired; that of two tests that err independently where left out.
    """
    specificity_half_width: Maybe[Share] = None
    """Wanted half-width for specificity, where another than for sensitivity."""
    specificity_lower_limit: Maybe[Share] = None
    """Value that the lower limit of specificity shall exceed, likewise, where both are planned for."""
    specificity_difference: Maybe[Share] = None
    """Difference in specificity that shall be found, likewise."""
    specificity_discordant: Maybe[Share] = None
    """Expected share of «nouns» without the condition in which the two tests differ, likewise."""
    allocation: Maybe[Annotated[float, Between(0, _MOST_ALLOCATION)]] = None
    """«Nouns» in the second group for each in the first, for unpaired; that of the registry where groups of the first
    primary analysis are compared and nothing is written, else 1.
    """
    published: Maybe[Annotated[int, Whole(1, _MOST_KNEES)]] = None
    """«Nouns» (pairs, for kappa) behind the published figures that are expected: with the condition (for specificity:
    without it), in each of two groups. The plan then gives the chance of reaching the aim that they leave open.
    """
    specificity_published: Maybe[Annotated[int, Whole(1, _MOST_KNEES)]] = None
    """«Nouns» without the condition behind the published specificity, where sensitivity is planned for too."""
    kappa: Maybe[Share] = None
    """Expected kappa, for kappa_half_width."""
    positive_share: Maybe[Share] = None
    """Expected share of positive findings, for kappa_half_width."""
    power: Share = 0.8
    """Chance of reaching the aim, for lower_limit, paired and unpaired."""

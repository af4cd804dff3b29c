"""Why an exam drops out, in the order in which the reasons are asked, and the step each reason belongs to."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from examtally.contracts.results import result_codes

REASONS: tuple[str, ...] = tuple(result_codes()["reason"])
"""Every reason in order; the place of a reason in it is its number in the temporary tables."""

_LAST_OF_STEP = {
    "eligibility": "after_reference",
    "index_exam": "not_index_exam",
    "maturity": "window_open",
    "finding": "equivocal",
    "verification": "reference_indeterminate",
    "analysed": "analysed",
}


def number(reason: str) -> int:
    """Return the number of `reason`; ValueError where it is not declared."""
    return REASONS.index(reason)


def _steps() -> Mapping[str, str]:
    """Each reason with the step it belongs to: the first whose last reason does not come before it."""
    ends = [(step, number(reason)) for step, reason in _LAST_OF_STEP.items()]
    return MappingProxyType(
        {reason: next(step for step, end in ends if place <= end) for place, reason in enumerate(REASONS)}
    )


STEPS: Mapping[str, str] = _steps()

"""What the pages of one condition read: the results, and which condition they are about."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from examtally.contracts.clinical import Condition
from examtally.reporting.audit import Audit, open_audit

CONDITION_FILE = "condition.txt"


@dataclass(frozen=True)
class Story:
    """One condition of one analysis."""

    audit: Audit
    condition: Condition


def open_page() -> Story:
    """Read what the cells need from the folder they run in."""
    audit = open_audit()
    code = Path(CONDITION_FILE).read_text(encoding="utf-8").strip()
    return Story(audit, audit.catalogue.conditions[code])


def told_conditions(audit: Audit) -> tuple[Condition, ...]:
    """Conditions with pages: those that something settles and that a maneuver speaks of, in catalogue order."""
    return tuple(condition for condition in audit.settled if audit.maneuvers(condition))


def standing(audit: Audit) -> str:
    """Whether the analysis was written down before its results were seen, and what follows."""
    if audit.protocol.analysis_status == "prespecified":
        return "*Pre-specified:* this analysis was written down before its results were seen."
    return (
        "*Exploratory:* this analysis was not written down beforehand. Good for a question, not for an answer: whoever "
        "looks at many figures finds a striking one by chance."
    )


def or_else(block: str, sentence: str) -> str:
    """A block, or the one sentence that stands where there is nothing to tell."""
    return block or sentence

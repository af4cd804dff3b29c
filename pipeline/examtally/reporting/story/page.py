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

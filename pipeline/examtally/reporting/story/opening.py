"""How the page of a condition begins: what it is, what settles it, and each maneuver by itself."""

from __future__ import annotations

from examtally.contracts.clinical import Condition
from examtally.reporting.audit import Audit
from examtally.reporting.conditions import accuracy_of_each, known, remarks, suspicions, too_few_yet
from examtally.reporting.plain import box, marking, tag
from examtally.reporting.story.page import standing
from examtally.reporting.verification import ASSUMED, UNCORRECTED


def opening(audit: Audit, condition: Condition) -> str:
    """What the condition is, what counts as present, where the answer comes from, and how to take the page."""
    days = audit.protocol.windows.get(condition.code)
    window = f" A result counts from day {days[0]} to day {days[1]} after the exam." if days else ""
    parts = (
        tag(audit),
        f"{condition.plain} *Counted as present:* {condition.present_means}",
        f"{known(audit, condition)}{window}",
        standing(audit),
        marking(audit),
        box(audit.wording.caution, "caution"),
    )
    return "\n\n".join(part.strip("\n") for part in parts if part)


def alone(audit: Audit, condition: Condition) -> str:
    """The table of every maneuver, what the main ones do to a suspicion, and which wait for more people."""
    is_corrected = any(
        audit.corrected(condition.code, maneuver.code, measure).is_usable
        for maneuver in audit.maneuvers(condition)
        for measure in ("sensitivity", "specificity")
    )
    parts = (
        accuracy_of_each(audit, condition),
        remarks(audit, condition),
        suspicions(audit, condition),
        f"{UNCORRECTED.split('. ')[0]}; *corrected* allows for who was. {ASSUMED}" if is_corrected else UNCORRECTED,
        too_few_yet(audit, condition),
    )
    return "\n\n".join(part.strip("\n") for part in parts if part)

"""What the pages of one condition read: the results, and which condition they are about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from examtally.contracts.catalogue.clinical import Condition
from examtally.reporting.audit.audit import Audit, open_audit
from examtally.reporting.audit.conditions import accuracy_of_each, known, remarks, suspicions, too_few_yet
from examtally.reporting.audit.verification import ASSUMED, UNCORRECTED
from examtally.reporting.engine.numbers import listed
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.plain import box, marking, tag

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


def reportable_conditions(audit: Audit) -> tuple[Condition, ...]:
    """Conditions with pages: those that something settles and that a maneuver speaks of, in catalogue order."""
    return tuple(condition for condition in audit.settled if audit.maneuvers(condition))


def analysis_status(audit: Audit) -> str:
    """Whether the analysis was written down before its results were seen, and what follows."""
    if audit.protocol.analysis_status == "prespecified":
        return "*Pre-specified:* this analysis was written down before its results were seen."
    return (
        "*Exploratory:* this analysis was not written down beforehand. Good for a question, not for an answer: whoever "
        "looks at many figures finds a striking one by chance."
    )


def explained(block: str, how_to_read: str, otherwise: str) -> str:
    """A block with how to read it before; where it holds no table, its own sentence or else `otherwise`, alone."""
    return f"{how_to_read.strip()}\n\n{block}" if "<table" in block else block or otherwise


def names_of(audit: Audit, codes: Sequence[str]) -> str:
    """Maneuvers by name as they stand within a sentence; names with a comma are parted by semicolons."""
    names = [inside_sentence(audit.catalogue.maneuvers[code].name) for code in codes]
    return "; ".join(names) if any("," in name for name in names) else listed(names)


def opening(audit: Audit, condition: Condition) -> str:
    """What the condition is, what counts as present, where the answer comes from, and how to take the page."""
    days = audit.protocol.windows.get(condition.code)
    window = f" A result counts from day {days[0]} to day {days[1]} after the exam." if days else ""
    parts = (
        tag(audit),
        f"{condition.plain} *Counted as present:* {condition.present_means}",
        f"{known(audit, condition)}{window}",
        analysis_status(audit),
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

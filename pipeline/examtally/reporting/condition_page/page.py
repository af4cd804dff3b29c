"""What the pages of one condition read: the results, and which condition they are about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from examtally.contracts.catalogue.clinical import Condition
from examtally.errors import ReportError
from examtally.reporting.audit.audit import Audit, open_audit
from examtally.reporting.audit.before_after_figure import drawn
from examtally.reporting.audit.conditions import accuracy_of_each, remarks, settled_by, too_few_yet
from examtally.reporting.audit.groups import by_severity
from examtally.reporting.audit.leading import (
    knees_behind,
    leads_of,
    reasons_of,
    sentences,
    table_of,
)
from examtally.reporting.audit.next_steps import steps_for
from examtally.reporting.audit.reliability import assumptions, beside, references
from examtally.reporting.engine.aims import LEADING, fold, told
from examtally.reporting.engine.numbers import listed
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.plain import box, bullets, marking, provenance, tag


@dataclass(frozen=True)
class Page:
    """One condition of one analysis."""

    audit: Audit
    condition: Condition


def open_page(results: Path | str = "results", code: str = "") -> Page:
    """Read what the cells need; without a code of the catalogue the first condition that has a page.

    Raises ReportError for a condition without one.
    """
    audit = open_audit(results)
    told = reportable_conditions(audit)
    chosen = [condition for condition in told if condition.code == code or not code]
    if not chosen:
        raise ReportError(f"condition: no page is made of it; use one of {', '.join(one.code for one in told)}")
    return Page(audit, chosen[0])


def reportable_conditions(audit: Audit) -> tuple[Condition, ...]:
    """Conditions with pages: those that something settles and that a maneuver speaks of, in catalogue order."""
    return tuple(condition for condition in audit.settled if audit.maneuvers(condition))


def analysis_status(audit: Audit) -> str:
    """Whether the analysis was written down before its results were seen, and what follows."""
    if audit.protocol.analysis_status == "prespecified":
        return "*Pre-specified:* this analysis was written down before its results were seen."
    return (
        "*Exploratory:* this analysis was not written down beforehand. Good for a question, not for a conclusion: "
        "whoever looks at many figures finds a striking one by chance."
    )


def explained(block: str, how_to_read: str, otherwise: str) -> str:
    """A block with how to read it before; where it holds no table, its own sentence or else `otherwise`, alone."""
    return f"{how_to_read.strip()}\n\n{block}" if "<table" in block else block or otherwise


def names_of(audit: Audit, codes: Sequence[str]) -> str:
    """Maneuvers by name as they stand within a sentence; names with a comma are parted by semicolons."""
    names = [inside_sentence(audit.catalogue.maneuvers[code].name) for code in codes]
    return "; ".join(names) if any("," in name for name in names) else listed(names)


def opening(audit: Audit, condition: Condition) -> str:
    """The answer: what the maneuvers can be trusted for, what to do next, and one picture."""
    items = leads_of(audit, condition, audit.maneuvers(condition))
    core = {maneuver.code for maneuver in audit.core_maneuvers(condition)}
    main = [lead for lead in items if lead.maneuver.code in core] + [
        lead for lead in items if lead.maneuver.code not in core
    ]
    said = sentences(main) or ["No «noun» of this condition has been examined and verified yet."]
    parts = (
        tag(audit),
        "\n".join(f"- {line}" for line in said),
        bullets("What to do next", steps_for(audit, condition)),
        drawn(audit, main, f"before-after-{condition.code}"),
    )
    return "\n\n".join(part.strip("\n") for part in parts if part)


def alone(audit: Audit, condition: Condition) -> str:
    """The leading figures of every maneuver, why some are withheld, sensitivity by severity, and who waits for more."""
    items = leads_of(audit, condition, audit.maneuvers(condition))
    shown = [lead for lead in items if lead.row["basis"] != "withheld"]
    parts = (
        f"*Counted as present:* {condition.present_means}",
        f"{settled_by(audit, condition)} {knees_behind(audit, condition)}" if items else "",
        f"{LEADING} Decide by @tbl-each." if shown else "",
        table_of(items, f"{condition.name}: each maneuver", label="tbl-each"),
        "\n".join(f"- {reason}" for reason in reasons_of(items)),
        by_severity(audit, condition),
        "" if items else too_few_yet(audit, condition),
    )
    return "\n\n".join(part.strip("\n") for part in parts if part)


def how_sure(audit: Audit, condition: Condition) -> str:
    """What the leading figures take for granted, the reference tests, and simpler methods beneath."""
    simpler = beside(audit, leads_of(audit, condition, audit.maneuvers(condition)))
    parts = (
        assumptions(audit) if condition.code in audit.models else "",
        analysis_status(audit),
        references(audit, [condition]),
        simpler or told(["none"]),
        fold("What a verified registry counts, and when more figures come", _counts(audit, condition)),
        marking(audit),
        box(audit.wording.caution, "caution"),
        fold("Where these figures come from", provenance(audit)),
    )
    return "\n\n".join(part.strip("\n") for part in parts if part)


def _counts(audit: Audit, condition: Condition) -> str:
    blocks = (accuracy_of_each(audit, condition), remarks(audit, condition), too_few_yet(audit, condition))
    return "\n" + "\n\n".join(block.strip("\n") for block in blocks if block) + "\n"

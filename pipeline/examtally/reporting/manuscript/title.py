"""Page one: what was asked, under which permission, and how the analysis stands to its lock."""

from __future__ import annotations

import polars as pl

from examtally.reporting.engine.numbers import counted
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.manuscript.paper import NOT_STATED, TO_COMPLETE, Paper
from examtally.reporting.manuscript.statistics import fixed_words
from examtally.reporting.manuscript.values import capital
from examtally.reporting.plain import box
from examtally.words import for_markdown

LABEL = "tbl-deviations"
_GOVERNANCE = (
    (
        "purpose",
        "Purpose",
        {"research": "research", "quality_improvement": "quality improvement", "teaching": "teaching"},
    ),
    (
        "determination",
        "Ethics",
        {
            "approved": "approved by an ethics board",
            "exempt": "determined exempt",
            "not_research": "determined not to be human-subjects research",
            "pending": "submitted, not decided",
        },
    ),
    ("learners_covered", "Determination covers learners", {"yes": "yes", "no": "no"}),
    (
        "data_use_agreement",
        "Data-use agreement",
        {"in_force": "in force", "not_needed": "not needed", "pending": "not yet signed"},
    ),
)


def heading(paper: Paper) -> str:
    """Title, authors to be named, the draft's marking, the governance and the lock."""
    draft = (
        "**Draft made from the records.** Internal until your ethics board, your data-use agreement and your group "
        "allow otherwise; small counts stand in it. `examtally study bundle` makes what may leave the group. "
        f"{paper.wording.caution}"
    )
    return "\n\n".join(
        [
            f"**{for_markdown(paper.study.title)}**",
            *([f"Target condition: {paper.condition_name}"] if paper.degrees else []),
            f"Authors, affiliations, corresponding author: {TO_COMPLETE}",
            box(draft, "marking"),
            governance_words(paper),
            lock_words(paper),
        ]
    )


def governance_words(paper: Paper) -> str:
    """Purpose and permissions in one line, *not stated* where one is not."""
    given = paper.study.governance
    told = []
    for name, head, words in _GOVERNANCE:
        value = getattr(given, name)
        told.append(f"{head}: {NOT_STATED if value is None else words[value]}")
    return f"{'. '.join(told)}."


def lock_words(paper: Paper) -> str:
    """How the analyses stand to the lock, in one paragraph."""
    stands = paper.found.lock_status
    if not stands.locked:
        return (
            "**The protocol was not locked before the analysis: every analysis in this manuscript is exploratory.** "
            "Nothing in it was fixed before its results could be seen."
        )
    first, amendments = stands.locked[0], len(stands.locked) - 1
    changed = f"amended since ({counted(amendments, 'amendment')})" if amendments else "not amended since"
    known = first.records == paper.results.provenance.registry
    data = (
        "The records analyzed were in the registry at the lock."
        if known
        else "The records analyzed are not those that the registry held at the lock: it changed afterwards."
    )
    before = "".join(f" **{capital(one.says)}.**" for one in stands.asked_before)
    return (
        f"The protocol was locked on {first.at.replace('T', ' at ')} UTC (sha256 {first.sha256[:16]}…, entry "
        f"{first.log_entry} of the registry's log) and {changed}. {data} "
        f"{fixed_words(paper)}{before}"
    )


def deviations(paper: Paper) -> str:
    """Every departure from the lock, by itself."""
    stands = paper.found.lock_status
    if not stands.locked:
        return "There was no lock to deviate from; all analyses are exploratory."
    if not stands.deviations:
        return "None: what was run is what was locked."
    rows = [
        {"key": one.key.replace("_", " "), "says": one.says, "reason": one.reason or "no reason recorded"}
        for one in stands.deviations
    ]
    columns = (
        Column("key", "What"),
        Column("says", "Deviation", words=True),
        Column("reason", "Reason", words=True),
    )
    return table(pl.DataFrame(rows), columns, caption="Deviations from the locked protocol", label=LABEL)

"""Page one: what was asked, under which permission, and how the analysis stands to its lock."""

from __future__ import annotations

from dataclasses import asdict

import polars as pl

from examtally.reporting.engine.numbers import counted
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.manuscript.paper import NOT_STATED, TO_COMPLETE, Paper, label
from examtally.reporting.manuscript.values import capital, measure_name
from examtally.reporting.plain import box
from examtally.studies.lock_status import ASKED_BEFORE, PRESPECIFIED
from examtally.words import for_markdown

_GOVERNANCE = (Column("what", "Governance"), Column("says", "As stated in the protocol", words=True))
_SAID = {None: NOT_STATED.strip("*")}


def heading(paper: Paper) -> str:
    """Title, authors to be named, the draft's marking and the governance."""
    rows = [
        {"what": name.replace("_", " ").capitalize(), "says": (value or _SAID[None]).replace("_", " ")}
        for name, value in asdict(paper.study.governance).items()
    ]
    draft = (
        "**Draft made from the records.** Internal until your ethics board, your data-use agreement and your group "
        "allow otherwise; small counts stand in it. `examtally study bundle` makes what may leave the group. "
        f"{paper.wording.caution}"
    )
    return "\n\n".join(
        [
            f"**{for_markdown(paper.study.title)}**",
            f"Authors, affiliations, corresponding author: {TO_COMPLETE}",
            box(draft, "marking"),
            table(pl.DataFrame(rows), _GOVERNANCE, caption="Governance of this study"),
            lock_words(paper),
        ]
    )


def lock_words(paper: Paper) -> str:
    """How the analyses stand to the lock, in one paragraph."""
    stands = paper.found.lock_status
    if not stands.locked:
        return (
            "**The protocol was not locked before the analysis: every analysis in this manuscript is exploratory.** "
            "Nothing in it was fixed before its results could be seen."
        )
    first, amendments = stands.locked[0], len(stands.locked) - 1
    fixed = [one.name for one in paper.study.analyses if stands.status(one.name) == PRESPECIFIED]
    known = first.records == paper.results.provenance.registry
    data = (
        "The records analyzed are those that the registry already held at the lock"
        if known
        else "The records analyzed are not those that the registry held at the lock: it changed afterwards"
    )
    before = "".join(f" **{capital(one.says)}.**" for one in stands.deviations if one.key == ASKED_BEFORE)
    return (
        f"The protocol was locked on {first.at.replace('T', ' at ')} UTC (sha256 {first.sha256[:16]}…, entry "
        f"{first.log_entry} of the registry's log), with {counted(amendments, 'amendment')} since. {data}. "
        f"{len(fixed)} of {counted(len(paper.study.analyses), 'analysis', 'analyses')} "
        f"{'is' if len(fixed) == 1 else 'are'} pre-specified; anything else is marked exploratory wherever it "
        f"stands.{before}"
    )


def analyses(paper: Paper) -> str:
    """The declared analyses, each with its standing."""
    rows = [
        {
            "analysis": line["analysis"].replace("_", " "),
            "role": line["role"],
            "tests": ", ".join(paper.test_name(test) for test in line["tests"].split(", ")),
            "measures": ", ".join(measure_name(one) for one in line["measures"].split(", ")),
            "status": label(line["status"]),
        }
        for line in paper.rows("study_analyses")
    ]
    columns = (
        Column("analysis", "Analysis"),
        Column("role", "Role", words=True),
        Column("tests", "Index tests", words=True),
        Column("measures", "Measures", words=True),
        Column("status", "Status", words=True),
    )
    return table(pl.DataFrame(rows), columns, caption="Analyses of this study, pre-specified or exploratory")


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
    return table(pl.DataFrame(rows), columns, caption="Deviations from the locked protocol")

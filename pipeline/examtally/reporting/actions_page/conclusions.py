"""Conclusions and actions: the one list of actions, what to keep, and what came of earlier decisions."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.leading import leads
from examtally.reporting.audit.next_steps import HELD, INCOMPLETE, POOR_AGREEMENT, WIDE
from examtally.reporting.audit.suspicion import BEFORE
from examtally.reporting.engine.numbers import percent
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.monthly.actions import Action
from examtally.reporting.monthly.asked import COLUMNS, asked_now, lines

_EARLIER = (
    Column("decision", "Decision", words=True),
    Column("opened", "Opened"),
    Column("due", "Due"),
    Column("outcome", "What came of it", words=True),
)


def in_short(audit: Audit) -> str:
    """The actions, each with its figure, owner and date, or that nothing has passed its threshold."""
    steps = asked_now(audit)
    if not steps:
        return "Nothing has passed its threshold yet: no action is asked for."
    return table(pl.DataFrame(lines(steps)), COLUMNS, caption="What to do, and what it rests on")


def keep(audit: Audit) -> str:
    """The findings that rule a core condition in or out, its whole interval."""
    found = [
        f"- {lead.name}: a {side} finding rules {words}; a suspicion of {percent(BEFORE)} becomes {lead.said(side)}."
        for lead in leads(audit)
        if lead.condition.core
        for side, verdict, words in (("positive", "rules_in", "in"), ("negative", "rules_out", "out"))
        if lead.row[f"verdict_{side}"] == verdict
    ]
    return (
        "\n".join(found) or "No single finding rules a core condition in or out yet, so none is to be leaned on alone."
    )


def thresholds() -> str:
    """What a finding has to pass."""
    return (
        "*Do not rule out*: a negative finding whose interval does not rule out. *One technique*: a core maneuver on "
        f"which two examiners agree too little (AC1, agreement beyond chance, under {POOR_AGREEMENT:g}). *Record*: "
        f"fewer than {percent(INCOMPLETE)} of core exams complete, or more than {percent(HELD)} of lines held. *Do not "
        "lean on*: a maneuver that helps neither way. *Practice*: probabilities over- or underconfident beyond chance. "
        f"*Measure again*: a figure that is withheld, or whose interval is wider than {100 * WIDE:.0f} points. *Look "
        "into*: a chart that signals. *Keep*: a finding that rules in or out, its whole interval."
    )


def earlier(actions: Sequence[Action]) -> str:
    """What was decided before, who owns it, and what came of it."""
    if not actions:
        return "No decision is on file."
    rows = [
        {
            "decision": f"{action.decision}\n{action.id}, {action.owner}",
            "opened": action.opened,
            "due": action.due or ("to be set" if action.is_open else "–"),
            "outcome": action.outcome or "open",
        }
        for action in sorted(actions, key=lambda one: (not one.is_open, one.opened, one.id))
    ]
    return table(pl.DataFrame(rows), _EARLIER, caption="Earlier decisions, those still open first")

"""Learner progress as a group: how many follow a maneuver and how many reached its target; nobody can be recognized."""

from __future__ import annotations

import polars as pl

from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.numbers import counted, listed, percent
from examtally.reporting.engine.tables import Column, table

HOW_TO_GET = (
    "Learner progress is not in these results. It needs an analysis with examiners, once it is agreed who may see the "
    "private sheets."
)
NOBODY = "No finding of a learner can be compared with a reference, or with a supervisor's own finding of the same day."
LEAST_LEARNERS = 3
_COLUMNS = (
    Column("what", "Maneuver"),
    Column("followed", "Learners"),
    Column("reached", "Target reached\non both sides"),
    Column("not_reached", "Not reached yet\nor left again"),
    Column("unjudged", "Cannot be judged\ntoo few cases"),
)
_OTHERS = "other maneuvers or comparisons"
_UNJUDGED = ("too_few", "no_limit")
_HELD = {"reference": "Compared with the reference", "supervisor": "Compared with a supervisor's own finding"}
_ORDER = ("examiner_id", "condition", "maneuver", "outcome")


def section(audit: Audit) -> str:
    """One table of how far learners are, by maneuver; or how to get it."""
    if not audit.results.has_examiners:
        return HOW_TO_GET
    rows = audit.table("learning")
    if rows.is_empty():
        return NOBODY
    newest = rows.sort("period", "sequence").group_by(_ORDER).last().sort(*_ORDER)
    lines = [line for key, part in _by_maneuver(audit, newest) if (line := _line(audit, key, part))]
    if not lines:
        return f"Fewer than {counted(LEAST_LEARNERS, 'learner')} are followed in any one maneuver."
    judged = [line for line in lines if line["unjudged"] != line["followed"]]
    unjudged = len(lines) - len(judged)
    caption = "Learner progress, all learners together"
    parts = (
        _explained(audit),
        table(pl.DataFrame(judged), _COLUMNS, caption=caption, group="held") if judged else "",
        f"Too few cases to judge any learner in {counted(unjudged, 'other maneuver or comparison', _OTHERS)}; that "
        "says nothing of how good they are."
        if unjudged
        else "",
    )
    return "\n\n".join(part for part in parts if part)


def _by_maneuver(audit: Audit, newest: pl.DataFrame) -> list[tuple[tuple[str, str, str], pl.DataFrame]]:
    """Standings by outcome, condition and maneuver; against a supervisor a maneuver stands once, whatever it is for."""
    order = {pair: place for place, pair in enumerate(audit.catalogue.pairs)}
    once = pl.col("condition") == pl.col("condition").min().over("outcome", "maneuver")
    kept = newest.filter((pl.col("outcome") == "reference") | once)
    parts = {
        (str(outcome), str(condition), str(maneuver)): part
        for (outcome, condition, maneuver), part in kept.group_by("outcome", "condition", "maneuver")
    }
    return sorted(parts.items(), key=lambda item: (item[0][0], order[item[0][1], item[0][2]]))


def _line(audit: Audit, key: tuple[str, str, str], part: pl.DataFrame) -> dict[str, str] | None:
    outcome, code, maneuver = key
    condition = audit.catalogue.conditions.get(code)
    is_composite = outcome == "reference" and condition is not None and bool(condition.derived_from)
    if part.height < LEAST_LEARNERS or is_composite:
        return None
    standings = dict(part.group_by("standing").len().iter_rows())
    reached, unjudged = standings.get("reached", 0), sum(standings.get(code, 0) for code in _UNJUDGED)
    name = audit.catalogue.maneuvers[maneuver].name
    return {
        "what": f"{name}\n{condition.name}" if outcome == "reference" and condition is not None else name,
        "held": _HELD[outcome],
        "followed": str(part.height),
        "reached": str(reached),
        "not_reached": str(part.height - reached - unjudged),
        "unjudged": str(unjudged),
    }


def _explained(audit: Audit) -> str:
    """What reaching the target means, with the levels of the protocol."""
    chosen = audit.protocol.learning
    learners = listed([role.replace("_", " ") for role in audit.protocol.agreement.learners], "or")
    return (
        f"A learner ({learners}) reaches the target of a maneuver only on both sides: in «nouns» with the condition "
        "and in «nouns» without it, ten of each at least. Always writing the same cannot reach it. The target is what "
        f"supervisors here reach, less {percent(chosen.margin)}; where too few of their «nouns» are verified, at most "
        f"{percent(chosen.p_acceptable)} of findings may disagree. Charts stand on each learner's own sheet. Not for "
        "grading, credentialing, pay or discipline."
    )

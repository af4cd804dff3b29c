"""What to practise: at most three maneuvers that stand out from chance, with how each is done."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Maneuver
from examtally.reporting.engine.aims import fold
from examtally.reporting.engine.numbers import percent, percent_range
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.examiner_sheet.sheet import Sheet

MOST = 3
PROBABLE = 0.8
NOTHING = "Nothing stands out from chance."


@dataclass(frozen=True)
class Advice:
    """A maneuver with the reason it is on the list."""

    maneuver: Maneuver
    reason: str


def advice(sheet: Sheet) -> tuple[Advice, ...]:
    """At most three core maneuvers, each once.

    First those with a pooled probability of at least 80% of lying below the group's figure by more than the declared
    margin, the most probable first; then those in which agreement with supervisors, its whole interval, lies under the
    target performance, the lowest first. Ten people or more stand behind each.
    """
    chosen: dict[str, Advice] = {}
    for item in (*_below(sheet), *_apart(sheet)):
        chosen.setdefault(item.maneuver.code, item)
    return tuple(chosen.values())[:MOST]


def practise(sheet: Sheet) -> str:
    """The list with technique and cautions, or the sentence that nothing stands out."""
    items = advice(sheet)
    if not items:
        return NOTHING
    return "\n\n".join(_told(item) for item in items)


def _below(sheet: Sheet) -> list[Advice]:
    margin = percent(sheet.audit.protocol.examiners.margin)
    found = []
    for own in sheet.own:
        probability = sheet.probability_below(own.condition.code, own.maneuver.code, own.measure)
        is_own = own.shrunk.pooled.participants >= sheet.audit.min_participants
        if is_own and probability is not None and probability >= PROBABLE:
            reason = (
                f"With {percent(probability)} probability your {own.measure} for "
                f"{inside_sentence(own.condition.name)} lies more than {margin} (of 100 «nouns») below the group's, "
                "chance, whom you image and errors of the reference allowed for."
            )
            found.append((probability, Advice(own.maneuver, reason)))
    return [item for _, item in sorted(found, key=lambda pair: (-pair[0], pair[1].maneuver.code))]


def _apart(sheet: Sheet) -> list[Advice]:
    protocol = sheet.audit.protocol
    rows = sheet.agreement("examiner_supervisor").filter(
        pl.col("maneuver").is_in(protocol.core),
        pl.col("participants") >= sheet.audit.min_participants,
        pl.col("ci_high") < protocol.agreement.least,
        statistic="observed_agreement",
    )
    return [
        Advice(
            sheet.audit.catalogue.maneuvers[row["maneuver"]],
            f"You and a supervisor wrote the same in {percent(row['estimate'])} of {row['pairs']} pairs of exams "
            f"(interval {percent_range(row['ci_low'], row['ci_high'])}, wholly under "
            f"{percent(protocol.agreement.least)}){_as_everybody(sheet, row)}",
        )
        for row in rows.sort("ci_high", "maneuver").iter_rows(named=True)
    ]


def _as_everybody(sheet: Sheet, row: Mapping[str, Any]) -> str:
    """Whether the whole group agrees no better, within the limits of this examiner: then it is no matter of one."""
    group = sheet.audit.table("agreement").filter(
        group_by="learner_supervisor", maneuver=row["maneuver"], statistic="observed_agreement"
    )
    every = None if group.is_empty() else group["estimate"][0]
    if every is not None and every <= row["ci_high"]:
        return f", as the whole group does ({percent(every)}): a technique to agree on together, not yours alone."
    return ". The supervisor is not the truth: look at the «noun» together."


def _told(item: Advice) -> str:
    cautions = "\n".join(f"- {caution}" for caution in item.maneuver.cautions)
    how = fold("How it is done", f"\n{item.maneuver.technique}\n")
    return "\n\n".join(part for part in (f"### {item.maneuver.name}", item.reason, cautions, how) if part)

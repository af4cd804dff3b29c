"""What to do next: at most three steps, each with the figure behind it and who could take it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.reporting.audit.accrual import accrual_of
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.leading import Lead, leads, leads_of
from examtally.reporting.audit.suspicion import BEFORE
from examtally.reporting.engine.numbers import coefficient, counted, percent, share_of
from examtally.reporting.engine.wording import inside_sentence

MOST = 3
POOR_AGREEMENT = 0.6  # AC1 below which a technique is worth a session together
_INCOMPLETE = 0.8  # share of complete core exams below which recording comes first
_HELD = 0.02  # share of record lines held for correction


@dataclass(frozen=True)
class Step:
    """One step: what to do, the figure behind it, and the role that could do it."""

    what: str
    why: str
    who: str

    @property
    def sentence(self) -> str:
        """The step in two sentences."""
        return f"**{self.what}** {self.why} *{self.who}*"


def next_steps(audit: Audit) -> list[str]:
    """The first three that apply: safety of negative findings, technique, records, waiting for verified knees."""
    first = [*_unsafe(_core(audit)), *_disagreement(audit, audit.protocol.core)]
    steps = [*first, *_incomplete(audit), *_held(audit), *_waiting(audit)]
    return [step.sentence for step in steps[:MOST]]


def steps_for(audit: Audit, condition: Condition) -> list[str]:
    """The same of one condition: what a negative main maneuver leaves, technique of its maneuvers."""
    maneuvers = [item.code for item in audit.maneuvers(condition)]
    items = leads_of(audit, condition, audit.core_maneuvers(condition))
    return [step.sentence for step in (*_left(items), *_disagreement(audit, maneuvers))][:MOST]


def _core(audit: Audit) -> list[Lead]:
    return [lead for lead in leads(audit) if lead.condition.core]


def _left(items: Iterable[Lead]) -> Iterator[Step]:
    """What the best main maneuver leaves after a negative finding, wherever it does not rule the condition out."""
    shown = [lead for lead in items if lead.has_ratios]
    if not shown:
        return
    best = min(shown, key=lambda lead: lead.span("negative")[0])
    if best.row["verdict_negative"] != "rules_out":
        yield Step(
            f"A negative {best.called} does not rule it out.",
            f"A suspicion of {percent(BEFORE)} is then still {best.said('negative')}: re-examine, and image where "
            "local protocol asks for it.",
            "Every examiner",
        )


def _unsafe(items: Iterable[Lead]) -> Iterator[Step]:
    """The condition whose best maneuver leaves the most after a negative finding."""
    left: dict[str, list[Lead]] = {}
    for lead in items:
        if lead.has_ratios and lead.row["verdict_negative"] != "too_early":
            left.setdefault(lead.condition.code, []).append(lead)
    best = [min(items, key=lambda lead: lead.span("negative")[0]) for items in left.values()]
    open_ones = [lead for lead in best if lead.row["verdict_negative"] != "rules_out"]
    if open_ones:
        worst = max(open_ones, key=lambda lead: lead.span("negative")[0])
        yield Step(
            f"Do not rule out {inside_sentence(worst.condition.name)} on negative findings alone.",
            f"After a negative {worst.called}, a suspicion of {percent(BEFORE)} is still "
            f"{worst.said('negative')}: image or re-examine by local protocol.",
            "Every examiner",
        )


def _disagreement(audit: Audit, maneuvers: Sequence[str]) -> Iterator[Step]:
    """The maneuver of these on which two examiners agree least beyond chance."""
    rows = audit.table("agreement").filter(
        pl.col("maneuver").is_in(list(maneuvers)),
        pl.col("participants") >= audit.min_participants,
        group_by="overall",
        statistic="gwet_ac1",
    )
    low = rows.filter(pl.col("estimate") < POOR_AGREEMENT).sort("estimate")
    if low.height:
        row = low.row(0, named=True)
        name = inside_sentence(audit.catalogue.maneuvers[row["maneuver"]].name)
        yield Step(
            f"Agree on one technique for {name} in a session together.",
            f"Two examiners of the same «noun» agree least on it (AC1 {coefficient(row['estimate'])}, "
            f"{counted(row['pairs'], 'pair')}).",
            "Lead for teaching",
        )


def _incomplete(audit: Audit) -> Iterator[Step]:
    rows = audit.table("indicators").filter(pl.col("mature"), indicator="core_complete", group_by="overall")
    last = rows.sort("period").tail(12)
    done, seen = int(last["numerator"].sum() or 0), int(last["denominator"].sum() or 0)
    if seen and done / seen < _INCOMPLETE:
        yield Step(
            "Record every core maneuver, or why it was not done.",
            f"Over the last {counted(last.height, 'period')} the core exam was complete in {share_of(done, seen)}.",
            "Clinic lead",
        )


def _held(audit: Audit) -> Iterator[Step]:
    lines = audit.table("batches")
    read, held = int(lines["lines"].sum() or 0), int(lines["held_back"].sum() or 0)
    if read and held / read > _HELD:
        yield Step("Correct the records that are held.", f"{share_of(held, read)} lines are held.", "Data manager")


def _waiting(audit: Audit) -> Iterator[Step]:
    """The condition nearest to its first figures."""
    items = [
        (lead, accrual_of(audit, lead.condition.code, lead.maneuver.code))
        for lead in leads(audit)
        if not lead.has_ratios
    ]
    short = [(lead, item) for lead, item in items if not item.is_enough and lead.condition.core]
    if short:
        lead, item = min(short, key=lambda pair: 2 * pair[1].needed - pair[1].present - pair[1].absent)
        yield Step(
            f"Wait for {inside_sentence(lead.condition.name)}.",
            f"{item.present} patients with it and {item.absent} without are verified; {item.needed} of each are "
            "needed. No imaging for the sake of the registry.",
            "Committee",
        )

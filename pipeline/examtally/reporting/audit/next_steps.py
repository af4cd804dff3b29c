"""What to do next: each action with the figure behind it, the role that owns it and when it is measured again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.contracts.periods import later, spoken
from examtally.reporting.audit.accrual import accrual_of
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.calibration import rows_of
from examtally.reporting.audit.leading import Lead, first_of, leads, leads_of, reasons_of
from examtally.reporting.audit.suspicion import BEFORE
from examtally.reporting.engine.numbers import coefficient, counted, listed, percent, percent_range, share_of
from examtally.reporting.engine.wording import inside_sentence

MOST = 3
POOR_AGREEMENT = 0.6  # AC1 below which a technique is worth a session together
WIDE = 0.4  # width of an interval, as a share, from which a figure is measured again rather than acted on
INCOMPLETE = 0.8  # share of complete core exams below which recording comes first
HELD = 0.02  # share of record lines held for correction
YEAR, SOON = 12, 3  # periods until a finding, and until records, are measured again
_STAGES = {"examiner_after_history": "after the history", "examiner_after_exam": "after the exam"}


@dataclass(frozen=True)
class Step:
    """One action: what to do, the figure behind it, the role that owns it, and the period it is measured again by.

    `indicator` is the code of the chart that it is about, if any.
    """

    what: str
    why: str
    who: str
    due: str
    indicator: str = ""

    @property
    def sentence(self) -> str:
        """The step in two sentences, with its owner and when it is measured again."""
        again = f"; remeasured by {self.due}" if self.due else ""
        return f"**{self.what}** {self.why} *{self.who}{again}*"


def standing(audit: Audit) -> list[Step]:
    """Every action that a finding asks for: safety first, then technique, records, teaching, measuring again."""
    core = [lead for lead in leads(audit) if lead.condition.core]
    watched = [lead for lead in leads(audit) if lead.condition.core or lead.maneuver.code in audit.protocol.core]
    return [
        *_unsafe(audit, core),
        *_disagreement(audit, audit.protocol.core, "the core maneuvers"),
        *_incomplete(audit),
        *_held(audit),
        *_idle(audit, core),
        *_stated(audit),
        *_wide(audit, watched),
        *_withheld(audit, watched),
    ]


def steps_for(audit: Audit, condition: Condition) -> list[str]:
    """The same of one condition: what a negative main maneuver leaves, technique of its maneuvers."""
    maneuvers = [item.code for item in audit.maneuvers(condition)]
    items = leads_of(audit, condition, audit.core_maneuvers(condition))
    agreed = _disagreement(audit, maneuvers, "the maneuvers for it")
    return [step.sentence for step in (*_left(audit, items), *agreed)][:MOST]


def due(audit: Audit, periods: int) -> str:
    """The period so many after the newest, as a reader says it; empty where there is none yet."""
    return spoken(later(audit.periods[-1], periods)) if audit.periods else ""


def _left(audit: Audit, items: Sequence[Lead]) -> Iterator[Step]:
    """What the best main maneuver leaves after a negative finding, wherever none rules the condition out."""
    shown = [lead for lead in items if lead.has_ratios]
    if best := _best(shown):
        yield Step(
            "A negative finding does not rule it out.",
            f"With {best.called} negative, a suspicion of {percent(BEFORE)} is still {best.said('negative')}: "
            "re-examine, and image where local protocol asks for it.",
            "Lead physician",
            due(audit, YEAR),
        )
    elif items and not shown:
        yield Step(
            "Too early to rule it out on a negative finding.",
            f"No figure of {listed([lead.called for lead in items], 'or')} can be shown yet: re-examine, and image "
            "where local protocol asks for it.",
            "Lead physician",
            due(audit, YEAR),
        )


def _unsafe(audit: Audit, items: Sequence[Lead]) -> Iterator[Step]:
    """The conditions that no main maneuver rules out when negative, and those of which that cannot be said yet."""
    every: dict[str, list[Lead]] = {}
    for lead in items:
        every.setdefault(lead.condition.code, []).append(lead)
    shown = {code: [lead for lead in each if lead.has_ratios] for code, each in every.items()}
    left = sorted((best for each in shown.values() if (best := _best(each))), key=_remaining)
    unknown = [every[code][0] for code, each in shown.items() if not each]
    asked = {lead.condition.code for lead in (*left, *unknown)}
    if not asked:
        return
    names = listed([_condition(every[code][0]) for code in every if code in asked], "or")
    is_any = len(asked) == len(every) and len(asked) > MOST
    why = "What they leave cannot be said yet"
    if left and unknown:
        why = f"Too early to say of {listed([_condition(lead) for lead in unknown])}"
    if left:
        ends = left if len(left) == 1 else [left[0], left[-1]]
        still = listed([f"{lead.said('negative')} after a negative {lead.called}" for lead in ends])
        why = f"A suspicion of {percent(BEFORE)} is still {still}{f'. {why}' if unknown else ''}"
    yield Step(
        f"Do not rule out {'any core condition' if is_any else names} on negative findings alone.",
        f"{why}: re-examine, image by local protocol.",
        "Lead physician",
        due(audit, YEAR),
    )


def _condition(lead: Lead) -> str:
    return inside_sentence(lead.condition.name)


def _best(shown: Sequence[Lead]) -> Lead | None:
    """Of the maneuvers of one condition that which leaves least when negative; None where one of them rules it out."""
    if not shown or any(lead.row["verdict_negative"] == "rules_out" for lead in shown):
        return None
    return min(shown, key=_remaining)


def _remaining(lead: Lead) -> float:
    return lead.span("negative")[0]


def _disagreement(audit: Audit, maneuvers: Sequence[str], scope: str) -> Iterator[Step]:
    """Those of some maneuvers on which two examiners agree too little beyond chance."""
    rows = audit.table("agreement").filter(
        pl.col("maneuver").is_in(list(maneuvers)),
        pl.col("participants") >= audit.min_participants,
        pl.col("estimate") < POOR_AGREEMENT,
        group_by="overall",
        statistic="gwet_ac1",
    )
    low = rows.sort("estimate", "maneuver").rows(named=True)
    if low:
        names = [inside_sentence(audit.catalogue.maneuvers[row["maneuver"]].name) for row in low]
        least = low[0]
        more = f"; {counted(len(low) - 1, 'other')} under {POOR_AGREEMENT:g} too" if len(low) > 1 else ""
        yield Step(
            f"Agree on one technique for {listed(names[:MOST])} in a session together.",
            f"Of {scope}, two examiners agree least on {'it' if len(low) == 1 else 'the first'}: "
            f"{coefficient(least['estimate'])} beyond chance (AC1), {POOR_AGREEMENT:g} is asked; "
            f"{counted(least['pairs'], 'pair')}{more}.",
            "Lead for teaching",
            due(audit, YEAR),
        )


def _incomplete(audit: Audit) -> Iterator[Step]:
    rows = audit.table("indicators").filter(pl.col("mature"), indicator="core_complete", group_by="overall")
    last = rows.sort("period").tail(12)
    done, seen = int(last["numerator"].sum() or 0), int(last["denominator"].sum() or 0)
    if seen and done / seen < INCOMPLETE:
        yield Step(
            "Record every core maneuver, or why it was not done.",
            f"Over the last {counted(last.height, 'period')} the core exam was complete in {share_of(done, seen)}.",
            "Clinic lead",
            due(audit, SOON),
            "core_complete",
        )


def _held(audit: Audit) -> Iterator[Step]:
    lines = audit.table("batches")
    read, held = int(lines["lines"].sum() or 0), int(lines["held_back"].sum() or 0)
    if read and held / read > HELD:
        yield Step(
            "Correct the records that are held.",
            f"{share_of(held, read)} lines are held.",
            "Data manager",
            due(audit, SOON),
            "held_back",
        )


def _idle(audit: Audit, core: Sequence[Lead]) -> Iterator[Step]:
    """Maneuvers that help neither way."""
    found = [lead for lead in core if (lead.row["verdict_positive"], lead.row["verdict_negative"]) == ("no_help",) * 2]
    if found:
        first = found[0]
        yield Step(
            f"Do not lean on {listed([lead.name for lead in found])} either way.",
            f"A suspicion of {percent(BEFORE)} becomes {first.said('positive')} after a positive {first.called}, "
            f"{first.said('negative')} after a negative one.",
            "Lead for teaching",
            due(audit, YEAR),
        )


def _stated(audit: Audit) -> Iterator[Step]:
    """Probabilities that are stated too boldly or too timidly beyond chance."""
    found = [
        (condition, row)
        for condition in audit.settled
        if condition.core
        for row in rows_of(audit, condition)[0]
        .filter(pl.col("verdict").is_not_null(), measure="slope")
        .iter_rows(named=True)
    ]
    if found:
        names = dict.fromkeys(inside_sentence(condition.name) for condition, _ in found)
        said = [
            f"{one.name}, stated {_STAGES[row['forecast']]}: {row['verdict']} ({_slope(row)})" for one, row in found
        ]
        yield Step(
            f"Practice stating the probability of {listed(list(names))}.",
            f"{'; '.join(said)}.",
            "Lead for teaching",
            due(audit, YEAR),
        )


def _slope(row: dict[str, float]) -> str:
    """A slope with its limits.

    >>> _slope({"estimate": 0.2614, "ci_low": -0.1966, "ci_high": 0.8658})
    'slope 0.26, 95% CI −0.20 to 0.87; 1 is best'
    """
    slope, low, high = (coefficient(row[name]) for name in ("estimate", "ci_low", "ci_high"))
    return f"slope {slope}, 95% CI {low} to {high}; 1 is best"


def _wide(audit: Audit, watched: Sequence[Lead]) -> Iterator[Step]:
    """Main maneuvers with a figure that is too wide to act on."""
    found = {lead.called: said for lead in watched if (said := _widest(lead))}
    if found:
        yield Step(
            f"Measure again before acting on {listed(list(found)[:MOST])}.",
            f"Too wide: {'; '.join(list(found.values())[:MOST])}.",
            "Audit lead",
            due(audit, YEAR),
        )


def _widest(lead: Lead) -> str:
    """The wider of both figures in words, where both are shown and it is too wide; else empty."""
    spans = {name: (lead.row[f"{name}_low"], lead.row[f"{name}_high"]) for name in ("sensitivity", "specificity")}
    if any(low is None for low, _ in spans.values()):
        return ""
    name, (low, high) = max(spans.items(), key=lambda item: item[1][1] - item[1][0])
    return f"{name} of {lead.called} 95% CI {percent_range(low, high)}" if high - low > WIDE else ""


def _withheld(audit: Audit, watched: Sequence[Lead]) -> Iterator[Step]:
    """Main maneuvers of which a figure is withheld; a nearer date only where patients are what is missing."""
    found = [lead for lead in watched if not lead.has_ratios]
    if not found:
        return
    names = list(dict.fromkeys(lead.called for lead in found))
    reasons = reasons_of(found, MOST)
    rest = [f"{counted(len(reasons) - 2, 'more reason')} in the audit."] if len(reasons) > 2 else []
    waits = [
        item.periods_left
        for lead in found
        for item in (accrual_of(audit, lead.condition.code, lead.maneuver.code),)
        if item.periods_left and not item.is_withheld
    ]
    yield Step(
        f"Measure again what is withheld of {first_of(names, MOST)}.",
        " ".join([*reasons[:2], *rest, "No imaging for the sake of the registry."]),
        "Audit lead",
        due(audit, min([*waits, YEAR])),
    )

"""What to keep, reteach, standardize and measure again: findings that passed a threshold, and what each rests on."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from examtally.reporting.audit.accrual import accrual_of
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.calibration import rows_of
from examtally.reporting.audit.leading import Lead, leads
from examtally.reporting.audit.next_steps import POOR_AGREEMENT
from examtally.reporting.audit.suspicion import BEFORE
from examtally.reporting.engine.numbers import coefficient, counted, percent, percent_range
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.monthly.actions import Action

LAST = 12
WIDE = 0.4  # width of an interval, as a share, from which a figure is measured again rather than acted on
_TEACHER, _LEAD = "lead for teaching", "audit lead"
_KINDS: Mapping[str, str] = {
    "keep": "Keep",
    "reteach": "Reteach",
    "standardize": "Standardize",
    "again": "Measure again",
}
_COLUMNS = (
    Column("what", "What", words=True),
    Column("rests", "What it rests on", words=True),
)
_EARLIER = (
    Column("decision", "Decision", words=True),
    Column("opened", "Opened"),
    Column("due", "Due"),
    Column("outcome", "What came of it", words=True),
)


@dataclass(frozen=True)
class Conclusion:
    """One finding that passed its threshold: its kind, what to do, the figure behind it, a role, and when to look."""

    kind: str
    what: str
    rests: str
    owner: str
    when: str


def conclusions(audit: Audit) -> list[Conclusion]:
    """Every finding of the core conditions that passed its threshold, in the order of the kinds."""
    core = [lead for lead in leads(audit) if lead.condition.core]
    found = [*_keep(core), *_reteach(audit, core), *_standardize(audit), *_again(audit, core)]
    return sorted(found, key=lambda one: list(_KINDS).index(one.kind))


def in_short(audit: Audit) -> str:
    """How many conclusions of each kind, or that nothing has passed its threshold."""
    found = conclusions(audit)
    if not found:
        return "Nothing has passed its threshold yet: no conclusion to act on."
    said = [
        f"- **{name}:** {'; '.join(one.what for one in found if one.kind == kind)}."
        for kind, name in _KINDS.items()
        if any(one.kind == kind for one in found)
    ]
    return "\n".join(said)


def thresholds() -> str:
    """What a finding has to pass."""
    return (
        "*Keep*: a finding that rules a condition in or out, its whole interval. *Reteach*: a maneuver that helps "
        "neither way, or probabilities that are over- or underconfident beyond chance. *Standardize*: a core maneuver "
        f"on which two examiners agree too little (AC1 under {POOR_AGREEMENT}). *Measure again*: a figure that is "
        f"withheld, or whose interval is wider than {100 * WIDE:.0f} points."
    )


def conclusions_table(audit: Audit) -> str:
    """The same with what each rests on, who owns it and when it is measured again."""
    rows = [
        {
            "kind": _KINDS[one.kind],
            "what": f"{one.what}\n{one.owner}",
            "rests": f"{one.rests}\nmeasured again {one.when}",
        }
        for one in conclusions(audit)
    ]
    caption = "What passed its threshold, and what it rests on"
    return table(pl.DataFrame(rows), _COLUMNS, caption=caption, group="kind") if rows else ""


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


def _keep(core: Sequence[Lead]) -> Iterator[Conclusion]:
    """Findings that rule a condition in or out."""
    for lead in core:
        for side, verdict, words in (("positive", "rules_in", "in"), ("negative", "rules_out", "out")):
            if lead.row[f"verdict_{side}"] == verdict:
                yield Conclusion(
                    "keep",
                    f"{lead.name}: a {side} finding rules {words}",
                    f"It moves a suspicion of {percent(BEFORE)} to {lead.said(side)}",
                    "every examiner",
                    _in_a_year(),
                )


def _reteach(audit: Audit, core: Sequence[Lead]) -> Iterator[Conclusion]:
    """Maneuvers that help neither way, and probabilities that are stated too boldly or too timidly."""
    for lead in core:
        if (lead.row["verdict_positive"], lead.row["verdict_negative"]) == ("no_help", "no_help"):
            moved = f"{lead.said('positive')} after a positive finding, {lead.said('negative')} after a negative one"
            what = f"{lead.name}: not to be leaned on either way"
            yield Conclusion(
                "reteach", what, f"A suspicion of {percent(BEFORE)} becomes {moved}", _TEACHER, _in_a_year()
            )
    for condition in (item for item in audit.settled if item.core):
        measures, _ = rows_of(audit, condition)
        rows = measures.filter(pl.col("verdict").is_not_null(), measure="slope", forecast="examiner_after_exam")
        for row in rows.iter_rows(named=True):
            yield Conclusion(
                "reteach",
                f"stated probabilities of {inside_sentence(condition.name)}: {row['verdict']}",
                f"Slope {row['estimate']:.2f} (95% CI {row['ci_low']:.2f} to {row['ci_high']:.2f}; 1 is best), "
                f"{counted(row['n'], '«noun»')}",
                _TEACHER,
                _in_a_year(),
            )


def _standardize(audit: Audit) -> Iterator[Conclusion]:
    """Core maneuvers on which two examiners of one knee agree too little beyond chance."""
    rows = audit.table("agreement").filter(
        pl.col("maneuver").is_in(list(audit.protocol.core)),
        pl.col("participants") >= audit.min_participants,
        pl.col("estimate") < POOR_AGREEMENT,
        group_by="overall",
        statistic="gwet_ac1",
    )
    for row in rows.sort("estimate").iter_rows(named=True):
        name = inside_sentence(audit.catalogue.maneuvers[row["maneuver"]].name)
        rests = (
            f"AC1 {coefficient(row['estimate'])} (95% CI {coefficient(row['ci_low'])} to "
            f"{coefficient(row['ci_high'])}), {counted(row['pairs'], 'pair')} of exams"
        )
        yield Conclusion("standardize", f"{name}: one technique for all", rests, _TEACHER, _in_a_year())


def _again(audit: Audit, core: Sequence[Lead]) -> Iterator[Conclusion]:
    """Figures that are withheld, or too wide to act on."""
    for lead in core:
        row = lead.row
        widths = {
            name: row[f"{name}_high"] - row[f"{name}_low"]
            for name in ("sensitivity", "specificity")
            if row[f"{name}_low"] is not None
        }
        if len(widths) < 2:
            item = accrual_of(audit, lead.condition.code, lead.maneuver.code)
            rests = str(row["reason"] or item.sentence).rstrip(".")
            yield Conclusion(
                "again",
                f"{lead.name}: {_lacking(widths)}",
                rests,
                _LEAD,
                item.when if not item.is_enough else "with the next analysis",
            )
            continue
        widest = max(widths, key=lambda name: widths[name])
        if widths[widest] > WIDE:
            limits = percent_range(row[f"{widest}_low"], row[f"{widest}_high"])
            rests = f"{widest.capitalize()} 95% CI {limits}"
            yield Conclusion("again", f"{lead.name}: too wide to act on", rests, _LEAD, _in_a_year())


def _lacking(known: Collection[str]) -> str:
    missing = [name for name in ("sensitivity", "specificity") if name not in known]
    return "no figure yet" if len(missing) == 2 else f"no {missing[0]} yet"


def _in_a_year() -> str:
    return f"in {LAST} periods"

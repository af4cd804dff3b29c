"""One condition in the report: its accuracy table, forest plot and what its main maneuvers do to a suspicion."""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from examtally.contracts.catalogue.clinical import Condition, Maneuver, Published
from examtally.reporting.audit.accrual import accrual_of, accrual_table
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.correction import correction
from examtally.reporting.audit.forest import Row, forest
from examtally.reporting.audit.imperfect_reference import imperfect_reference_block
from examtally.reporting.audit.leading import leads_of
from examtally.reporting.audit.suspicion import BEFORE
from examtally.reporting.engine.aims import AIMS
from examtally.reporting.engine.estimate import Span
from examtally.reporting.engine.numbers import counted, listed, percent
from examtally.reporting.engine.tables import Column, details, download, table
from examtally.reporting.engine.wording import inside_sentence

MEASURES = {
    "sensitivity": "sensitivity",
    "specificity": "specificity",
    "lr_positive": "likelihood ratio if positive",
    "lr_negative": "likelihood ratio if negative",
}
_COLUMNS = (
    Column("maneuver", "Maneuver"),
    Column("sensitivity", "Sensitivity"),
    Column("specificity", "Specificity"),
    Column("lr_positive", "if positive", "Likelihood ratio"),
    Column("lr_negative", "if negative", "Likelihood ratio"),
)


def condition_block(audit: Audit, condition: Condition) -> str:
    """Everything about one condition that has figures to show."""
    return "\n\n".join(
        part
        for part in (
            f"### {condition.name} {{#{condition.code}}}",
            f"*Counted as present:* {condition.present_means}",
            verified_knees(audit, condition),
            accuracy_of_each(audit, condition),
            remarks(audit, condition),
            _forest(audit, condition),
            correction(audit, condition),
            imperfect_reference_block(audit, condition),
            suspicions(audit, condition),
            too_few_yet(audit, condition),
        )
        if part
    )


def untold(audit: Audit) -> str:
    """Main maneuvers without both figures to show yet: counts and when they are expected."""
    if not audit.summed("exams"):
        return "No exam is on record."
    pairs = [(condition, maneuver) for condition in audit.settled for maneuver in audit.core_maneuvers(condition)]
    waiting = [pair for pair in pairs if not accrual_of(audit, pair[0].code, pair[1].code).is_enough]
    if not waiting:
        return ""
    caption = "Main maneuvers that wait for more people"
    text = f"### Too early to say\n{accrual_table(audit, waiting, caption=caption, with_counts=True)}"
    begun = [
        condition for condition in audit.settled if condition not in audit.reportable and _is_begun(audit, condition)
    ]
    if begun:
        tables = "".join(accuracy_of_each(audit, condition) for condition in begun)
        text += details("Every maneuver of these conditions, with the counts so far", tables)
    return text


def published_span(rows: Iterable[Published], measure: str) -> Span | None:
    """The lowest and highest published by who examined like us; of a single one its interval; None where nothing is."""
    found = [row for row in rows if getattr(row, measure) is not None and not row.apart]
    if not found:
        return None
    estimates = [getattr(row, measure) for row in found]
    if len(found) == 1:
        (row,) = found
        low, high = getattr(row, f"{measure}_low"), getattr(row, f"{measure}_high")
        return (low, high) if low is not None and high is not None else (estimates[0], estimates[0])
    return min(estimates), max(estimates)


def _is_begun(audit: Audit, condition: Condition) -> bool:
    return any(audit.tally(condition.code, maneuver.code)["verified"] for maneuver in audit.maneuvers(condition))


def settled_by(audit: Audit, condition: Condition) -> str:
    """Which tests settle a condition, and within how many days of the exam."""
    modalities = audit.catalogue.modalities
    accepted = audit.protocol.reference.accepted[condition.code]
    how = listed([inside_sentence(modalities[code].name) for code in accepted], "or")
    days = audit.protocol.windows.get(condition.code)
    window = f", from day {days[0]} to day {days[1]} after the exam" if days else ""
    clinical = " Held against a clinical diagnosis." if audit.protocol.is_clinical(condition.code) else ""
    return f"The reference standard is {how}{window}.{clinical}"


def verified_knees(audit: Audit, condition: Condition) -> str:
    """How many knees are verified for the main maneuver."""
    main = audit.core_maneuvers(condition)[0]
    tally = audit.tally(condition.code, main.code)
    present, absent = tally["tp"] + tally["fn"], tally["fp"] + tally["tn"]
    return (
        f"{settled_by(audit, condition)} {counted(present + absent, '«noun»')} of "
        f"{counted(tally['participants'], 'patient')} with a clear finding of {inside_sentence(main.name)} are "
        f"verified: {present} with the condition, {absent} without."
    )


def accuracy_of_each(audit: Audit, condition: Condition) -> str:
    """A table of every maneuver on known knees, with the figures to take away."""
    rows = [
        {"maneuver": maneuver.name} | {m: audit.estimate(condition.code, maneuver.code, m).cell for m in MEASURES}
        for maneuver in audit.maneuvers(condition)
    ]
    level = percent(audit.protocol.intervals.level)
    caption = f"{condition.name}: {AIMS['none'].name}, {level} interval and n / N beneath"
    figures = audit.table("accuracy").filter(condition=condition.code, group_by="overall", adjustment="none")
    hidden = pl.col("display") != "estimate"
    shown = figures.select(
        "maneuver",
        "measure",
        *(pl.when(hidden).then(None).otherwise(pl.col(name)).alias(name) for name in ("estimate", "ci_low", "ci_high")),
        "level",
        "interval",
        "events",
        "n",
        "participants",
        "note",
    )
    text = table(pl.DataFrame(rows), _COLUMNS, caption=caption)
    return text + download(shown, f"accuracy-{condition.code}")


def remarks(audit: Audit, condition: Condition) -> str:
    """What the analysis has to say beside figures that are shown, such as a ratio that is infinite."""
    return "\n".join(
        f"- {maneuver.name}, {words}: {estimate.note}"
        for maneuver in audit.maneuvers(condition)
        for measure, words in MEASURES.items()
        for estimate in (audit.estimate(condition.code, maneuver.code, measure),)
        if estimate.shown and estimate.note
    )


def _forest(audit: Audit, condition: Condition) -> str:
    maneuvers = audit.maneuvers(condition)
    rows = [
        Row(
            maneuver.name,
            audit.estimate(condition.code, maneuver.code, "sensitivity"),
            audit.estimate(condition.code, maneuver.code, "specificity"),
            published_span(_published(maneuver, condition), "sensitivity"),
            published_span(_published(maneuver, condition), "specificity"),
        )
        for maneuver in maneuvers
    ]
    sources = sorted({row.source for maneuver in maneuvers for row in _published(maneuver, condition)})
    caption = f"{condition.name}: sensitivity (disc) and specificity (square) with their intervals."
    if sources:
        caption += f" Faint band: published by others, of another spectrum of patients: {'; '.join(sources)}."
    said = "; ".join(f"{row.name} {row.sensitivity.spoken} and {row.specificity.spoken}" for row in rows)
    alt = f"Forest plot. Sensitivity and specificity for {condition.name}: {said}."
    return forest(rows, f"forest-{condition.code}", caption=caption, alt=alt)


def suspicions(audit: Audit, condition: Condition) -> str:
    """What a positive and a negative finding of each main maneuver make of the suspicion, by the leading ratios."""
    lines = [
        f"- **{lead.maneuver.name}**: positive makes it {lead.said('positive')}, negative {lead.said('negative')}."
        for lead in leads_of(audit, condition, audit.core_maneuvers(condition))
        if lead.has_ratios
    ]
    if not lines:
        return ""
    return "\n".join([f"What it does to a suspicion of {percent(BEFORE)}, by the leading estimate:", "", *lines])


def too_few_yet(audit: Audit, condition: Condition) -> str:
    """When the next figures are expected, for maneuvers that have too few participants yet."""
    waiting = [
        f"- {maneuver.name}: {item.sentence}."
        for maneuver in audit.maneuvers(condition)
        if not (item := accrual_of(audit, condition.code, maneuver.code)).is_enough
    ]
    return "\n".join(["Too few yet:", "", *waiting]) if waiting else ""


def _published(maneuver: Maneuver, condition: Condition) -> list[Published]:
    return [row for row in maneuver.published if row.condition == condition.code]

"""How sure the leading figures are: what they assume, what is known of the reference, what other methods say."""

from __future__ import annotations

import polars as pl

from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.leading import leads
from examtally.reporting.engine.numbers import DASH, count, percent, percent_range
from examtally.reporting.engine.tables import Column, details, table

_REFERENCE = (
    Column("test", "Reference test"),
    Column("measure", "Measure"),
    Column("prior", "Published\nused as a start"),
    Column("here", "Here\nwith these knees"),
    Column("both", "Knees with both\nthis test and surgery"),
)
_BESIDE = (
    Column("what", "Maneuver"),
    Column("leading", "Leading estimate"),
    Column("none", "Verified knees only"),
    Column("verification", "Verification bias alone"),
    Column("reference_error", "and errors as published"),
)
_MEASURES = {"sensitivity": "Sensitivity", "specificity": "Specificity"}


def assumptions(audit: Audit) -> str:
    """What the leading figures take for granted, in a few sentences."""
    if not audit.models:
        return ""
    shift = next(iter(audit.models.values()))["delta"]
    return (
        "The leading figures stand for every knee examined, imaged or not. They take for granted that what was written "
        "down (findings, stated probability, history, what other examiners found) decided who was imaged; that each "
        "reference test errs at rates near the published ones; and that surgery shows the truth. Knees never imaged "
        "are assumed somewhat less often ill than their record suggests "
        f"(log odds {shift:+.1f}".replace("-", "−")
        + "). If MRI and the exam tend to be wrong about the same knees, sensitivity would be lower than shown. With "
        "few verified knees the figures lean on the published accuracy of the tests."
    )


def references(audit: Audit) -> str:
    """Accuracy of the reference tests, published beside what these knees make of it; core conditions."""
    conditions = {condition.code: condition.name for condition in audit.settled if condition.core}
    field = audit.contract.tables["references"].field("modality")
    rows = [
        {
            "condition": conditions[row["condition"]],
            "test": (field.labels or {}).get(row["modality"], row["modality"].replace("_", " ")),
            "measure": _MEASURES[row["measure"]],
            "prior": _cell(row["prior"], row["prior_low"], row["prior_high"])
            + ("\nassumed, none published" if row["assumed"] else ""),
            "here": _cell(row["estimate"], row["ci_low"], row["ci_high"]),
            "both": count(row["both_tests"]),
        }
        for row in audit.table("reference_posterior").iter_rows(named=True)
        if row["condition"] in conditions and row["measure"] in _MEASURES
    ]
    if not rows:
        return ""
    shown = table(pl.DataFrame(rows), _REFERENCE, caption="Accuracy of the reference tests", group="condition")
    return details("How accurate the reference tests are", shown)


def beside(audit: Audit) -> str:
    """The same figures by simpler methods, each named for what it aims at; main maneuvers of core conditions."""
    rows = []
    for lead in leads(audit):
        if not lead.condition.core or not lead.has_ratios:
            continue
        for measure, word in _MEASURES.items():
            key = (lead.condition.code, lead.maneuver.code, measure)
            others = {
                "none": audit.estimate(*key),
                "verification": audit.corrected(*key),
                "reference_error": audit.reference_corrected(*key),
            }
            span = (lead.row[f"{measure}_low"], lead.row[f"{measure}_high"])
            rows.append(
                {
                    "measure": word,
                    "what": lead.name,
                    "leading": _cell(lead.row[measure], *span),
                    **{name: one.pair if one.is_usable else DASH for name, one in others.items()},
                }
            )
    if not rows:
        return ""
    text = (
        "*Verified knees only* speaks of imaged knees as they were read. *Verification bias alone* takes every reading "
        "for the truth, and is right only where the reference makes no errors. *Errors as published* takes the "
        "published accuracy as exact. Use the leading estimate to decide; the others show what each step changes."
    )
    frame = pl.DataFrame(rows).sort("measure", maintain_order=True)
    shown = table(frame, _BESIDE, caption="The same figures by simpler methods", group="measure")
    return details("The same figures by simpler methods", f"{text}\n{shown}")


def _cell(value: float | None, low: float | None, high: float | None) -> str:
    limits = percent_range(low, high)
    return f"{percent(value)}\n{limits}" if limits else percent(value)

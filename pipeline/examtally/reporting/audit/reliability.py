"""How sure the leading figures are: what they assume, what is known of the reference, what other methods say."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.imperfect_reference import STATEMENTS
from examtally.reporting.audit.leading import Lead, leads
from examtally.reporting.audit.suspicion import after
from examtally.reporting.engine.aims import AIMS, fold, told
from examtally.reporting.engine.numbers import DASH, count, percent, percent_range, share_of
from examtally.reporting.engine.tables import Column, table

_REFERENCE = (
    Column("test", "Reference test"),
    Column("measure", "Measure"),
    Column("prior", "Published\nused as a start"),
    Column("here", "Here\nwith these «nouns»"),
    Column("both", "«Nouns» with both\nthis test and surgery"),
)
_SIMPLER = {one: AIMS[one].name for one in ("none", "verification", "reference_error")}
_BESIDE = (
    Column("what", "Maneuver"),
    Column("leading", "Leading estimate"),
    *(Column(one, f"{name[0].upper()}{name[1:]}") for one, name in _SIMPLER.items()),
)
_RECORDED = 0.2  # what a record says, to show what a shift of the odds makes of it
_IF_UNIMAGED = "If «nouns» never imaged were ill more or less often than assumed"
_UNIMAGED = (
    Column("what", "Maneuver"),
    Column("assumed", "As assumed"),
    Column("recorded", "As often ill\nas recorded"),
    Column("less", "Far less often\n20% counts as 10%"),
)
_VERDICTS = {"lr_positive": "verdict_positive", "lr_negative": "verdict_negative"}
_MEASURES = {"sensitivity": "Sensitivity", "specificity": "Specificity"}
_TRUTH = (
    Column("what", "Maneuver"),
    Column("measure", "Measure"),
    Column("estimate", "Estimate\n95% CI"),
    Column("truth", "Truth"),
    Column("held", "Interval\nholds it"),
)


def assumptions(audit: Audit) -> str:
    """What the leading figures take for granted, in a few sentences."""
    if not audit.models:
        return ""
    shift = next(iter(audit.models.values()))["delta"]
    return (
        "The leading figures stand for every «noun» examined, imaged or not. They take for granted that what was "
        "written down (findings, stated probability, history, what other examiners found) decided who was imaged; that "
        "each reference test errs at rates near the published ones; and that surgery shows the truth. «Nouns» never "
        "imaged are assumed somewhat less often ill than their record suggests "
        f"(one whose record says {percent(_RECORDED)} counts as {_counts_as(shift)}). If MRI and the exam tend to be "
        "wrong about the same «nouns», sensitivity would be lower than shown. With few verified «nouns» the figures "
        "lean on the published accuracy of the tests."
    )


def references(audit: Audit, of: Sequence[Condition]) -> str:
    """Accuracy of the reference tests of some conditions, published beside what these knees make of it.

    A test of which these knees tell nothing to the printed digit, as where none was read by it, has no row.
    """
    conditions = {condition.code: condition.name for condition in of}
    field = audit.contract.tables["references"].field("modality")
    figures = ("prior", "prior_low", "prior_high", "estimate", "ci_low", "ci_high")
    told_of = {
        (row["condition"], row["modality"])
        for row in audit.table("reference_posterior").iter_rows(named=True)
        if _cell(*(row[one] for one in figures[:3])) != _cell(*(row[one] for one in figures[3:]))
    }
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
        if row["condition"] in conditions
        and row["measure"] in _MEASURES
        and (row["condition"], row["modality"]) in told_of
    ]
    if not rows:
        return ""
    shown = table(pl.DataFrame(rows), _REFERENCE, caption="Accuracy of the reference tests", group="condition")
    return fold("How accurate the reference tests are", shown)


def beside(audit: Audit, items: Sequence[Lead]) -> str:
    """The figures of these maneuvers by simpler methods, each named for what it aims at."""
    rows = []
    for lead in items:
        if not lead.has_ratios:
            continue
        for measure, word in _MEASURES.items():
            key = (lead.condition.code, lead.maneuver.code, measure)
            read = (audit.estimate, audit.corrected, audit.reference_corrected)
            others = {one: find(*key) for one, find in zip(_SIMPLER, read, strict=True)}
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
        "Decide by the leading estimate. It allows at once for who was imaged and for tests that err, as often as "
        "these «nouns» themselves suggest. It need not lie between the others: each of them leaves something out. "
        f"{told(_SIMPLER)}"
    )
    frame = pl.DataFrame(rows).sort("measure", maintain_order=True)
    shown = table(frame, _BESIDE, caption="The same figures by simpler methods", group="measure")
    return fold("The same figures by simpler methods", f"\n{text}\n{shown}")


def unimaged(audit: Audit, items: Sequence[Lead]) -> str:
    """What the leading figures would be, and say, if knees never imaged were ill more or less often than assumed."""
    rows = []
    for lead in items:
        if not lead.has_ratios:
            continue
        for measure, word in _MEASURES.items():
            each = (lead.row[measure], lead.row[f"{measure}_as_recorded"], lead.row[f"{measure}_far_less"])
            figures = dict(zip(("assumed", "recorded", "less"), map(percent, each), strict=True))
            rows.append({"measure": word, "what": lead.name, **figures})
    if not rows:
        return ""
    said = [text for lead in items if lead.has_ratios for text in _turns(audit, lead)]
    words = "What the summary says of each finding would hold whatever was tried."
    if said:
        assumed = _counts_as(next(iter(audit.models.values()))["delta"])
        words = (
            f"Would no longer hold if «nouns» never imaged whose record says {percent(_RECORDED)} did not count as "
            f"{assumed}:\n\n"
        )
        words += "\n".join(f"- {text}" for text in said)
    frame = pl.DataFrame(rows).sort("measure", maintain_order=True)
    shown = table(frame, _UNIMAGED, caption=_IF_UNIMAGED, group="measure")
    return fold(_IF_UNIMAGED, f"\n{shown}\n\n{words}\n")


def _turns(audit: Audit, lead: Lead) -> Iterator[str]:
    """What the verdicts claim of the odds, and at which odds of knees never imaged it would no longer hold."""
    rows = audit.table("tipping").filter(parameter="delta", condition=lead.condition.code, maneuver=lead.maneuver.code)
    for row in rows.drop_nulls("value").iter_rows(named=True):
        measure, words = STATEMENTS[row["statement"]]
        if lead.row[_VERDICTS[measure]] in ("helps", "rules_in", "rules_out"):
            yield f"{lead.name}, {words}: at {_counts_as(row['value'])}"


def known_truth(audit: Audit) -> str:
    """A heading, how many intervals hold the truth, and a table; nothing where the truth is not known."""
    known = {tuple(row[:3]): row[3] for row in audit.table("known_truth").rows()}
    rows = []
    for lead in leads(audit):
        for measure, word in _MEASURES.items():
            truth = known.get((lead.condition.code, lead.maneuver.code, measure))
            low, high = (lead.row[f"{measure}_{end}"] for end in ("low", "high"))
            if truth is None or low is None or high is None:
                continue
            rows.append(
                {
                    "what": f"{lead.maneuver.name}\n{lead.condition.name}",
                    "measure": word,
                    "estimate": f"{percent(lead.row[measure])}\n{percent_range(low, high)}",
                    "truth": percent(truth),
                    "held": "yes" if low <= truth <= high else "no",
                }
            )
    if not rows:
        return ""
    held = sum(row["held"] == "yes" for row in rows)
    return (
        "## Because this clinic is invented: the truth\n\n"
        "The records are synthetic, so what is true of them is known. No real clinic has this part. Of the intervals "
        f"below, {share_of(held, len(rows))} hold the truth; about 95% should, over many such clinics.\n\n"
        f"{table(pl.DataFrame(rows), _TRUTH, caption='Leading estimates beside the truth')}"
    )


def _cell(value: float | None, low: float | None, high: float | None) -> str:
    limits = percent_range(low, high)
    return f"{percent(value)}\n{limits}" if limits else percent(value)


def _counts_as(shift: float) -> str:
    """What such a record counts as, the log odds moved by `shift`."""
    return percent(after(math.exp(shift), _RECORDED))

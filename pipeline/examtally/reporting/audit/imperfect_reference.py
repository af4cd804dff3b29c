"""What becomes of the figures of a condition if its reference errs as others have published, or as it does here."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Condition, Maneuver, ReferenceAccuracy
from examtally.reporting.audit.audit import BOTH, Audit
from examtally.reporting.engine.estimate import Estimate
from examtally.reporting.engine.numbers import DASH, count, counted, listed, percent, percent_range
from examtally.reporting.engine.tables import details
from examtally.reporting.engine.wording import inside_sentence

Row = Mapping[str, Any]
_WIDEST = 0.6  # width of an interval, as a share, from which no figure is shown
STATEMENTS = {
    "doubles_odds": ("lr_positive", "a positive finding at least doubles the odds"),
    "halves_odds": ("lr_negative", "a negative one at least halves them"),
}


EXPLAINED = (
    "*Corrected for an imperfect reference standard as well*: the misses of a test make specificity look lower, its "
    "false alarms sensitivity; together with who was imaged they can cancel, so that a figure looks right by luck. "
    "Here every imaged «noun» counts by what the test said, corrected for who had it and for its published accuracy, "
    "which is taken as given. Assumed: the test misreads «nouns» that are easy and hard to examine alike. If what "
    "hides the condition on imaging also hides it from the hand, these figures are too high."
)


def explained(audit: Audit) -> str:
    """What correcting for the errors of the reference does and takes for granted, once for all conditions."""
    return EXPLAINED if audit.table("reference_error").height else ""


def imperfect_reference_block(audit: Audit, condition: Condition) -> str:
    """The assumption in words, the main maneuvers under it, what these knees say of the reference, and the others."""
    maneuvers = [item for item in audit.maneuvers(condition) if _has_row(audit, condition, item)]
    if not maneuvers:
        return ""
    modality = _modality(audit, condition)
    core = [item for item in maneuvers if item in audit.core_maneuvers(condition)]
    rest = [item for item in maneuvers if item not in core]
    parts = [
        _assumed(audit, condition, modality),
        _listed([_told(audit, condition, item, modality) for item in core]),
        _here(audit, condition, core, modality),
    ]
    if rest:
        told = _listed([_told(audit, condition, item, modality) for item in rest])
        title = f"What correcting for errors of {_name(audit, modality)} makes of the other maneuvers ({len(rest)})"
        parts.append(details(title, f"\n{told}\n"))
    return "\n\n".join(part.strip("\n") for part in parts if part)


def _assumed(audit: Audit, condition: Condition, modality: str) -> str:
    """The accuracy that is assumed, and where it is from."""
    name, default = _name(audit, modality), _published(condition, modality)[0]
    return (
        f"**Corrected for an imperfect reference standard as well**, as if {name} called "
        f"{_share(default, 'sensitivity')} of «nouns» with the condition present and "
        f"{_share(default, 'specificity')} of those without it absent ({default.source}):"
    )


def _share(row: ReferenceAccuracy, measure: str) -> str:
    limits = percent_range(getattr(row, f"{measure}_low"), getattr(row, f"{measure}_high"))
    return f"{percent(getattr(row, measure))} ({limits})" if limits else percent(getattr(row, measure))


def _told(audit: Audit, condition: Condition, maneuver: Maneuver, modality: str) -> str:
    """Both figures, their range over what is published, where a conclusion turns, and what the data rule out."""
    name = _name(audit, modality)
    found = [(measure, audit.reference_corrected(condition.code, maneuver.code, measure)) for measure in BOTH]
    usable = [(measure, estimate) for measure, estimate in found if estimate.is_usable and not _is_wide(estimate)]
    hidden = [estimate for _, estimate in found if not estimate.shown]
    if len(hidden) == len(found):
        return f"**{maneuver.name}**: too few people had {name} and a clear finding."
    grid = _grid(audit, condition, maneuver)
    if not usable and any(_is_wide(estimate) for _, estimate in found):
        return f"**{maneuver.name}**: too few «nouns» for a figure; the intervals leave nearly everything open."
    if not usable:
        return f"**{maneuver.name}**: {_reason(found[0][1].flag, name)}"
    figures = listed([_figure(audit, condition, maneuver, measure) for measure, _ in usable])
    sentences = [
        f"{figures}.",
        _range(grid, [measure for measure, _ in usable]),
        *_turns(audit, condition, maneuver, name),
        _ruled_out(grid, name),
    ]
    if usable[0][1].flag == "too_few_verified":
        sentences.append("Corrected for verification bias by its own finding alone.")
    return f"**{maneuver.name}**: {' '.join(text for text in sentences if text)}"


def _is_wide(estimate: Estimate) -> bool:
    """Whether an interval leaves so much open that a figure would mislead."""
    return None not in (estimate.low, estimate.high) and (estimate.high or 0.0) - (estimate.low or 0.0) > _WIDEST


def _reason(flag: str, name: str) -> str:
    if flag == "incompatible":
        return f"these data do not fit {name} of the published accuracy, so that no figure is given."
    return "too few «nouns» to correct for verification bias, so that no figure can be given."


def _figure(audit: Audit, condition: Condition, maneuver: Maneuver, measure: str) -> str:
    estimate = audit.reference_corrected(condition.code, maneuver.code, measure)
    before = audit.corrected(condition.code, maneuver.code, measure)
    instead = f" instead of {before.number}" if before.is_usable else ""
    return f"{measure} {estimate.spoken}{instead}"


def _range(grid: pl.DataFrame, measures: Sequence[str]) -> str:
    """The figures over every published accuracy and the ends of its interval."""
    spans = []
    for measure in measures:
        values = grid.filter(measure=measure)["estimate"].drop_nulls().to_list()
        spans.append(percent_range(min(values), max(values)) if values else DASH)
    return f"Over everything published: {listed(spans)}."


def _turns(audit: Audit, condition: Condition, maneuver: Maneuver, name: str) -> Iterator[str]:
    """Whether each conclusion holds at the assumed accuracy, and which assumption would turn it."""
    rows = audit.table("tipping").filter(
        pl.col("parameter") != "delta", condition=condition.code, maneuver=maneuver.code
    )
    said = []
    for statement, (measure, words) in STATEMENTS.items():
        estimate = audit.reference_corrected(condition.code, maneuver.code, measure)
        if not estimate.is_usable or estimate.value is None:
            continue
        holds = estimate.value >= 2 if measure == "lr_positive" else estimate.value <= 0.5
        at = rows.filter(statement=statement).drop_nulls("value").select("parameter", "value").iter_rows()
        turning = listed([_at(parameter, value, name) for parameter, value in at], "or")
        unless = f", unless {turning}" if turning else ""
        said.append(
            f"{words}{unless or ', each assumption varied alone'}"
            if holds
            else f"it cannot be said that {words}{unless}"
        )
    if said:
        text = "; ".join(said)
        yield f"{text[0].upper()}{text[1:]}."


def _at(parameter: str, value: float, name: str) -> str:
    if parameter == "covariance_share":
        return f"{name} and the exam tend to be wrong about the same «nouns»"
    return f"{name} is {percent(value)} {'sensitive' if parameter == 'reference_sensitivity' else 'specific'}"


def _ruled_out(grid: pl.DataFrame, name: str) -> str:
    """The published accuracies that could not have made these data, in as few words as are true."""
    places = grid.filter(measure="sensitivity").select("reference_sensitivity", "reference_specificity", "compatible")
    out = places.filter(~pl.col("compatible"))
    if out.is_empty():
        return ""
    for column, word in (("reference_specificity", "specific"), ("reference_sensitivity", "sensitive")):
        highest = out[column].max()
        if places.filter(pl.col(column) <= highest)["compatible"].any():
            continue
        return f"These data do not fit {name} that is only {percent(highest)} {word} or less."  # type: ignore[arg-type]
    return f"These data do not fit {out.height} of the {places.height} published accuracies."


def _here(audit: Audit, condition: Condition, maneuvers: Sequence[Maneuver], modality: str) -> str:
    """What knees with both say of the reference, and of the figures if it is believed; why nothing where too few."""
    rows = audit.table("reference_accuracy").filter(condition=condition.code, basis="these_knees")
    if rows.height != len(BOTH):
        return ""
    by = {row["measure"]: row for row in rows.iter_rows(named=True)}
    name, (found, cleared) = _name(audit, modality), (by[measure] for measure in BOTH)
    both = found["n"] + cleared["n"]
    seen = f"**What these «nouns» say of {name}.** {count(both)} of {counted(found['knees'], '«noun»')} with {name}"
    surgery = listed([inside_sentence(audit.catalogue.modalities[code].name) for code in condition.taken_as_true], "or")
    if found["estimate"] is None or cleared["estimate"] is None:
        return f"{seen} also had {surgery}. {found['note'] or ''}".rstrip()
    figures = "; ".join(text for item in maneuvers if (text := _believed(audit, condition, item, found["source"])))
    then = f" Believed instead of what is published, they give: {figures}." if figures else ""
    return (
        f"{seen} also had {surgery}: {name} called {count(found['events'])} of {count(found['n'])} with the condition "
        f"present and {count(cleared['events'])} of {count(cleared['n'])} without it absent. Those it calls absent are "
        f"seldom operated on; corrected for that it is {_estimated(found)} sensitive and {_estimated(cleared)} "
        f"specific, if nothing beyond {name} and the findings decided who was.{then}"
    )


def _believed(audit: Audit, condition: Condition, maneuver: Maneuver, source: str) -> str:
    rows = audit.table("reference_error").filter(condition=condition.code, maneuver=maneuver.code, source=source)
    told = []
    for measure in BOTH:
        row = next(iter(rows.filter(measure=measure).iter_rows(named=True)), None)
        if row is not None and row["estimate"] is not None and audit.reference_corrected(*_pair(row), measure).shown:
            told.append(f"{measure} {_estimated(row)}")
    return f"{maneuver.name} {' and '.join(told)}" if told else ""


def _pair(row: Row) -> tuple[str, str]:
    return row["condition"], row["maneuver"]


def _estimated(row: Row) -> str:
    return f"{percent(row['estimate'])} ({percent_range(row['ci_low'], row['ci_high'])})"


def _grid(audit: Audit, condition: Condition, maneuver: Maneuver) -> pl.DataFrame:
    """Figures over what is published, errors independent; without the accuracy that these knees give."""
    published = [row.source for row in condition.reference_accuracy]
    rows = audit.table("reference_error").filter(condition=condition.code, maneuver=maneuver.code)
    return rows.filter(pl.col("source").is_in(published), covariance_present=0.0, covariance_absent=0.0)


def _has_row(audit: Audit, condition: Condition, maneuver: Maneuver) -> bool:
    return any(audit.reference_corrected(condition.code, maneuver.code, measure).n for measure in BOTH)


def _modality(audit: Audit, condition: Condition) -> str:
    rows = audit.table("reference_accuracy").filter(condition=condition.code)
    return str(rows["modality"][0]) if rows.height else condition.reference_accuracy[0].modality


def _published(condition: Condition, modality: str) -> list[ReferenceAccuracy]:
    return [row for row in condition.reference_accuracy if row.modality == modality]


def _name(audit: Audit, modality: str) -> str:
    """The modality without the joint, which goes without saying."""
    return inside_sentence(audit.catalogue.modalities[modality].name.removesuffix(f" of the {audit.protocol.joint}"))


def _listed(sentences: Sequence[str]) -> str:
    return "\n".join(f"- {sentence}" for sentence in sentences)

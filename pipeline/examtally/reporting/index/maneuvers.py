"""The catalogue of maneuvers: how each is done, what to mind, what is published and what was found here."""

from __future__ import annotations

import polars as pl

from examtally.contracts.catalogue.clinical import Condition, Maneuver
from examtally.reporting.audit.audit import BOTH, Audit
from examtally.reporting.audit.conditions import published_span
from examtally.reporting.audit.leading import figure_cells
from examtally.reporting.engine.estimate import Span
from examtally.reporting.engine.numbers import listed, percent, percent_range
from examtally.reporting.engine.tables import Column, details, table
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.plain import box

_PURPOSES = {
    "contributor": "Looks for what adds to the complaint: counted is how often, and whether two examiners agree.",
    "safety": "For safety: recorded, never scored.",
}
_SPECTRUM = (
    "Figures from people chosen for surgery, with clear injuries or beside well volunteers look better than a clinic's "
    "own: compare like with like."
)
_COLUMNS = (
    Column("whose", "Figures"),
    Column("sensitivity", "Sensitivity"),
    Column("specificity", "Specificity"),
)


def phases(audit: Audit) -> str:
    """Every maneuver under its phase."""
    parts: list[str] = []
    for phase in dict.fromkeys(maneuver.phase for maneuver in audit.catalogue.maneuvers.values()):
        parts.append(f"## {audit.wording.word('phase', phase)}")
        parts += [_maneuver(audit, item) for item in audit.catalogue.maneuvers.values() if item.phase == phase]
    return "\n\n".join(parts)


def rule_out(audit: Audit) -> str:
    """What comes first."""
    lines = [f"- {line}" for line in audit.catalogue.quick_rule_out]
    return box("\n".join(["**First rule out**", "", *lines]), "caution") if lines else ""


def _maneuver(audit: Audit, maneuver: Maneuver) -> str:
    core = " Every exam should have it." if maneuver.code in audit.protocol.core else ""
    lines = [
        f"### {maneuver.name} {{#{maneuver.code}}}",
        f"{maneuver.technique}",
        f"*Positive:* {maneuver.positive}{core}",
        _variant(audit, maneuver),
        _grades(maneuver),
        "\n".join(f"- {caution}" for caution in maneuver.cautions),
        _PURPOSES.get(maneuver.purpose, ""),
        _accuracy(audit, maneuver),
        _publications(audit, maneuver),
    ]
    return "\n\n".join(line for line in lines if line)


def _variant(audit: Audit, maneuver: Maneuver) -> str:
    if maneuver.variant_of is None:
        return ""
    return f"A variant of {inside_sentence(audit.catalogue.maneuvers[maneuver.variant_of].name)}."


def _grades(maneuver: Maneuver) -> str:
    if not maneuver.grades:
        return ""
    return f"*Grades:* {listed([f'{grade}: {label}' for grade, label in maneuver.grades.items()])}."


def _accuracy(audit: Audit, maneuver: Maneuver) -> str:
    settled = [item for item in audit.settled if item.code in maneuver.conditions]
    unsettled = [item for item in audit.unsettled if item.code in maneuver.conditions]
    text = "\n\n".join(f"{item.name}: {item.unsettled_note}" for item in unsettled if item.unsettled_note)
    if not settled:
        return text
    rows = [row for condition in settled for row in _rows(audit, maneuver, condition)]
    caption = f"{maneuver.name}: found here and published"
    return f"{text}\n{table(pl.DataFrame(rows), _COLUMNS, caption=caption, group='condition')}"


def _rows(audit: Audit, maneuver: Maneuver, condition: Condition) -> list[dict[str, str]]:
    published = [entry for entry in maneuver.published if entry.condition == condition.code]
    spans = {measure: published_span(published, measure) for measure in BOTH}
    row = audit.leading.get((condition.code, maneuver.code))
    here = figure_cells(row) if row is not None else dict.fromkeys(BOTH, "too few")
    lines = {"here": here, "published": {m: _span(spans[m]) for m in BOTH}}
    return [{"condition": condition.name, "whose": whose} | cells for whose, cells in lines.items()]


def _publications(audit: Audit, maneuver: Maneuver) -> str:
    """Each publication with whom it examined, under a fold; the reason where there is none."""
    if not maneuver.published:
        reason = maneuver.no_published_figure
        return f"*No published figure.* {reason}" if reason else ""
    lines = [
        f"- {inside_sentence(audit.catalogue.conditions[row.condition].name)}: "
        f"{listed([f'{measure} {percent(value)}' for measure in BOTH if (value := getattr(row, measure)) is not None])}"
        f" ({row.about})"
        for row in maneuver.published
    ]
    return details(f"What others have published ({len(lines)})", "\n\n" + "\n".join([_SPECTRUM, "", *lines]) + "\n\n")


def _span(span: Span | None) -> str:
    if span is None:
        return "none"
    return percent(span[0]) if percent(span[0]) == percent(span[1]) else percent_range(*span)

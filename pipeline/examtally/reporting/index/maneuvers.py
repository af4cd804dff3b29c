"""The catalogue of maneuvers: what each is worth at a glance, then how it is done and what to mind."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import inf

import polars as pl

from examtally.contracts.catalogue.clinical import Condition, Maneuver
from examtally.reporting.audit.audit import BOTH, Audit
from examtally.reporting.audit.conditions import published_span
from examtally.reporting.audit.leading import Lead, figure_cells, verdicts
from examtally.reporting.engine.aims import fold
from examtally.reporting.engine.estimate import Span
from examtally.reporting.engine.numbers import DASH, listed, percent, percent_range
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.plain import first_rule_out

_NO_FIGURE = {
    "diagnostic": "no test settles it",
    "contributor": "agreement only",
    "safety": "safety check",
}
_RATIOS = ("lr_positive", "lr_negative")
_COLUMNS = (
    Column("maneuver", "Maneuver", anchor="code"),
    Column("condition", "Looks for", words=True),
    Column("verdict", "What it does\nif negative / positive", words=True),
    Column("lr_positive", "if positive", "Our likelihood ratio"),
    Column("lr_negative", "if negative", "Our likelihood ratio"),
    Column("sensitivity", "sensitivity", "Published"),
    Column("specificity", "specificity", "Published"),
)


def at_a_glance(audit: Audit) -> str:
    """A row each maneuver and condition, first those with ratios of ours, the strongest positive finding first."""
    rows = [row for maneuver in audit.catalogue.maneuvers.values() for row in _rows(audit, maneuver)]
    rows.sort(key=lambda row: _strength(audit, row), reverse=True)
    return table(pl.DataFrame(rows), _COLUMNS, caption="What each maneuver is worth", sortable=True)


def _strength(audit: Audit, row: Mapping[str, str]) -> float:
    """The ratio of a positive finding; none where a row has no figures of ours."""
    if row["lr_positive"] == DASH:
        return -1.0
    value = audit.leading[row["looks_for"], row["code"]]["lr_positive"]
    return inf if value is None else float(value)


def phases(audit: Audit) -> str:
    """Every maneuver under its phase."""
    parts: list[str] = []
    for phase in dict.fromkeys(maneuver.phase for maneuver in audit.catalogue.maneuvers.values()):
        parts.append(f"## {audit.wording.word('phase', phase)}")
        parts += [_maneuver(audit, item) for item in audit.catalogue.maneuvers.values() if item.phase == phase]
    return "\n\n".join(parts)


def rule_out(audit: Audit) -> str:
    """What comes first, in short, and whole under a fold."""
    lines = [f"- {line}" for line in audit.catalogue.quick_rule_out]
    whole = fold("What to rule out first, in full", "\n\n" + "\n".join(lines) + "\n\n") if lines else ""
    return first_rule_out(audit) + whole


def unpublished(audit: Audit) -> str:
    """Why some maneuvers have no published figure, under one fold."""
    reasons: dict[str, list[str]] = {}
    for maneuver in audit.catalogue.maneuvers.values():
        if maneuver.no_published_figure:
            reasons.setdefault(maneuver.no_published_figure, []).append(maneuver.name)
    lines = [f"- {'; '.join(names)}: {inside_sentence(reason)}" for reason, names in reasons.items()]
    if not lines:
        return ""
    return fold("Why some have no published figure", "\n\n" + "\n".join(lines) + "\n\n")


def _rows(audit: Audit, maneuver: Maneuver) -> Iterator[dict[str, str]]:
    """One row each condition the maneuver speaks of itself, not only by a part; one row where there is none."""
    core = "\ncore" if maneuver.code in audit.protocol.core else ""
    named = {"maneuver": f"{maneuver.name}{core}", "code": maneuver.code}
    told = [audit.catalogue.conditions[code] for code in maneuver.conditions]
    own = [one for one in told if not set(one.derived_from) & set(maneuver.conditions)]
    for condition in own:
        looks_for = {"condition": condition.name, "looks_for": condition.code}
        yield named | looks_for | _here(audit, maneuver, condition) | _elsewhere(maneuver, condition)
    if not own:
        blank = dict.fromkeys((*_RATIOS, *BOTH), DASH)
        yield named | {"condition": DASH, "looks_for": "", "verdict": _NO_FIGURE[maneuver.purpose]} | blank


def _here(audit: Audit, maneuver: Maneuver, condition: Condition) -> dict[str, str]:
    """The verdict and our two ratios, or in words why there are none."""
    row = audit.leading.get((condition.code, maneuver.code))
    if row is not None and row["sensitivity"] is not None and row["specificity"] is not None:
        cells = figure_cells(row)
        return {"verdict": " / ".join(verdicts(Lead(condition, maneuver, row)))} | {
            name: cells[name] for name in _RATIOS
        }
    unsettled = condition in audit.unsettled
    is_held = row is not None and (row["basis"] == "withheld" or row["reason"])
    said = _NO_FIGURE["diagnostic"] if unsettled else "withheld" if is_held else "too few yet"
    return {"verdict": said} | dict.fromkeys(_RATIOS, DASH)


def _elsewhere(maneuver: Maneuver, condition: Condition) -> dict[str, str]:
    published = [entry for entry in maneuver.published if entry.condition == condition.code]
    return {measure: _span(published_span(published, measure)) for measure in BOTH}


def _maneuver(audit: Audit, maneuver: Maneuver) -> str:
    lines = [
        f"### {maneuver.name} {{#{maneuver.code}}}",
        f"{maneuver.technique}",
        f"*Positive:* {maneuver.positive}{_grades(maneuver)}",
        _variant(audit, maneuver),
        "\n".join(f"- {caution}" for caution in maneuver.cautions),
        _publications(audit, maneuver),
    ]
    return "\n\n".join(line for line in lines if line)


def _variant(audit: Audit, maneuver: Maneuver) -> str:
    if maneuver.variant_of is None:
        return ""
    return f"A variant of {inside_sentence(audit.catalogue.maneuvers[maneuver.variant_of].name)}."


def _grades(maneuver: Maneuver) -> str:
    """The grades by number, or by the names of the trade where the labels begin with them (trace, 1+)."""
    if not maneuver.grades:
        return ""
    has_names = any(": " in label for label in maneuver.grades.values())
    labels = [label if has_names else f"{grade}: {label}" for grade, label in maneuver.grades.items()]
    return f" *Grades:* {'; '.join(labels)}."


def _publications(audit: Audit, maneuver: Maneuver) -> str:
    """Each publication with whom it examined, under a fold of the screen."""
    if not maneuver.published:
        return ""
    lines = [
        f"- {inside_sentence(audit.catalogue.conditions[row.condition].name)}: "
        f"{listed([f'{measure} {percent(value)}' for measure in BOTH if (value := getattr(row, measure)) is not None])}"
        f" ({row.about})"
        for row in maneuver.published
    ]
    return fold(f"What others have published ({len(lines)})", "\n\n" + "\n".join(lines) + "\n\n")


def _span(span: Span | None) -> str:
    if span is None:
        return DASH
    return percent(span[0]) if percent(span[0]) == percent(span[1]) else percent_range(*span)

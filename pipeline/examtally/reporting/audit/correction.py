"""What correcting for verification bias alone does to the figures of a condition, and why."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.contracts.contract import Contract
from examtally.reporting.audit.accuracy_comparison import AccuracyComparison, ManeuverLine, accuracy_comparison
from examtally.reporting.audit.audit import BOTH, Audit
from examtally.reporting.audit.verification import Verified
from examtally.reporting.engine.numbers import count
from examtally.reporting.engine.tables import details
from examtally.reporting.engine.wording import inside_sentence

_BOTH = "corrected for an imperfect reference standard as well (triangle, explained below), "
_MOVED = 0.02  # change of a figure below which no reason is looked for


def correction(audit: Audit, condition: Condition) -> str:
    """Sentences on the main maneuvers, the picture of all, and where a correction is weak or impossible."""
    maneuvers = audit.maneuvers(condition)
    lines = [line for item in maneuvers if not (line := ManeuverLine.of(audit, condition, item)).is_empty]
    core = audit.core_maneuvers(condition)
    if not lines:
        return Verified.of(audit.tally(condition.code, core[0].code)).sentence(core[0].name)
    first = [line for line in lines if line.maneuver in core]
    rest = [line for line in lines if line.maneuver not in core]
    parts = [
        "**Corrected for verification bias alone:**",
        _listed([_told(audit, condition, line) for line in first]),
        _picture(condition, lines),
        _weak(lines),
        _bounded(lines),
    ]
    others = _listed([_told(audit, condition, line) for line in rest])
    if others:
        parts.append(details(f"What correcting changes for the other maneuvers ({len(rest)})", f"\n{others}\n"))
    return "\n\n".join(part.strip("\n") for part in parts if part)


def _told(audit: Audit, condition: Condition, line: ManeuverLine) -> str:
    """How often knees were verified after each finding, what correcting makes of the figures, and why."""
    known = Verified.of(audit.tally(condition.code, line.maneuver.code))
    seen = f"**{line.name}**: {known.shares}".removesuffix(": ")
    changes = [text for measure, side in zip(BOTH, line.sides, strict=True) if (text := _change(measure, side))]
    if not changes:
        return seen
    why = " Other findings decided as well." if _has_other_cause(line.sensitivity, known) else ""
    return f"{seen} Corrected, {' and '.join(changes)}.{why}"


def _change(measure: str, side: AccuracyComparison) -> str:
    if not side.seen.is_usable or not side.corrected.is_usable:
        return ""
    before, now = side.seen.number, side.corrected.number
    if before == now:
        return f"{measure} stays at {now}"
    return f"{measure} {'falls' if _moved(side) < 0 else 'rises'} from {before} to {now}"


def _moved(side: AccuracyComparison) -> float:
    return (side.corrected.value or 0.0) - (side.seen.value or 0.0)


def _has_other_cause(side: AccuracyComparison, known: Verified) -> bool:
    """Whether sensitivity moved against, or without, what this finding alone would have done to it."""
    if not side.seen.is_usable or not side.corrected.is_usable or abs(_moved(side)) < _MOVED:
        return False
    return known.leaning == 0 or (_moved(side) > 0) == (known.leaning > 0)


def _picture(condition: Condition, lines: Sequence[ManeuverLine]) -> str:
    both = any(line.has_reference_corrected for line in lines)
    caption = (
        f"{condition.name}: verified «nouns» only (open disc), corrected for verification bias alone (diamond), "
        f"{_BOTH * both}and the least and the most it could be, whatever the other «nouns» have (thin bar)."
    )
    said = "; ".join(f"{line.name} {line.sensitivity.spoken}, and {line.specificity.spoken}" for line in lines)
    alt = f"Sensitivity and specificity for {inside_sentence(condition.name)}, seen and corrected: {said}."
    return accuracy_comparison(lines, f"corrected-{condition.code}", caption=caption, alt=alt)


def _weak(lines: Sequence[ManeuverLine]) -> str:
    """Maneuvers for which only the simplest correction was possible."""
    names = [
        line.name
        for line in lines
        if any(side.corrected.is_usable and side.corrected.flag == "too_few_verified" for side in line.sides)
    ]
    if not names:
        return ""
    return (
        f"Too few verified «nouns» for models, so corrected by its own finding alone (Begg and Greenes): "
        f"{'; '.join(names)}. Where other findings decide as well, this can lie further off than no correction."
    )


def _bounded(lines: Sequence[ManeuverLine]) -> str:
    """Figures for which only bounds are possible, each with its reason."""
    return _listed(
        [
            f"{line.name}, {measure}: {_reason(side)} It lies within {side.span}."
            for line in lines
            for measure, side in zip(BOTH, line.sides, strict=True)
            if side.is_only_bounded
        ]
    )


def _reason(side: AccuracyComparison) -> str:
    """The first sentence of what the analysis says of the correction: the others speak of figures not given."""
    first = side.corrected.note.split(". ")[0].rstrip(".")
    return f"{first}." if side.corrected.shown and first else "Too few people to correct it: only bounds can be given."


def _listed(sentences: Sequence[str]) -> str:
    return "\n".join(f"- {sentence}" for sentence in sentences)


def taken_for_said(audit: Audit) -> str:
    """Sentences about blanks read as negative, silence read as absent and repeats, with their lines; else empty."""
    table = audit.table("assumptions")
    if table.is_empty():
        return ""
    totals = (
        table.group_by("table", "assumption", "code").agg(pl.col("lines").sum()).sort("table", "assumption", "code")
    )
    said = [_sentence(row, audit.contract) for row in totals.to_dicts()]
    head = "Some of the records rest on rules of a mapping file, not on something written:"
    return "\n".join([head, "", *(f"- {sentence}" for sentence in said), ""])


def _sentence(row: dict[str, object], contract: Contract) -> str:
    code, lines = str(row["code"]), count(int(str(row["lines"])))
    if row["assumption"] == "blank_negative":
        name = contract.catalogue.maneuvers[code].name if code in contract.catalogue.maneuvers else code
        return f"A blank was read as negative for {name}: {lines} findings."
    if row["assumption"] == "unlisted_absent":
        name = contract.catalogue.modalities[code].name if code in contract.catalogue.modalities else code
        return f"What a reading always covers and did not name was read as absent, {name}: {lines} lines."
    title = contract.tables[str(row["table"])].title.lower()
    if row["assumption"] == "unreadable_blank":
        name = contract.tables[str(row["table"])].field(code).title.lower()
        return f"Cells of {name} in {title} that could not be read were left out: {lines} cells."
    return f"Where several lines spoke of one entry in {title}, the first was taken."

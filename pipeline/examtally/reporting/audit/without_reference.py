"""The appendix on two tests of which neither is taken as true: under stated beliefs, and in two groups of knees."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Condition, Maneuver
from examtally.reporting.audit.audit import BOTH, Audit
from examtally.reporting.engine.numbers import listed, percent, percent_range
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence

_PARAMETERS = ("sensitivity", "specificity", "reference_sensitivity", "reference_specificity", "prevalence")
_BELIEFS = (
    "**With beliefs stated beforehand (latent class model).** Finding and {name} are two tests of the same "
    "«nouns». Each is right or wrong with its own chances, and in «nouns» that are alike in having the condition, "
    "or in not having it, the two err independently. Four counts (both positive, one, the other, neither) "
    "cannot settle five unknowns. So one says beforehand what one believes: of {name} what is published, with "
    "its uncertainty; of the maneuver and of how common the condition is {finding}. The figures are what the "
    "counts leave of these beliefs. *In one population the result rests on the beliefs, however many «nouns» "
    "there are*: other beliefs give other figures, and if a belief is wrong, so is the interval."
)
_POPULATIONS = (
    "**In two groups of «nouns» (Hui and Walter).** Where the condition is clearly more common in one group than "
    "in another, and both tests are equally good in both, the counts of the two groups settle every unknown, "
    "without beliefs. The groups here are made by {groups}. That a maneuver is as good in one group as in the "
    "other is an assumption which these data cannot test; a fresh, painful «noun» may well be harder to examine. "
    "Finding and {name} must err independently here too."
)
Row = Mapping[str, Any]


def without_reference(audit: Audit) -> str:
    """Both explanations, each with its table and what could not be given; nothing without such rows."""
    pairs = [pair for pair in _pairs(audit) if _rows(audit, *pair, "two_tests")]
    if not pairs:
        return ""
    name = _name(audit, pairs[0][0])
    choices = audit.protocol.latent_class
    told_nothing = {choices.finding_a, choices.finding_b, choices.prevalence_a, choices.prevalence_b} == {1.0}
    finding = "nothing, any value being as likely as any other" if told_nothing else "what the protocol states"
    parts = [
        "## Appendix: when neither test is taken as true",
        f"A check on the figures corrected for an imperfect reference standard ({name}), by two methods that need no "
        "true status. «Nouns» are corrected for verification bias, as before. Neither is a reason to change practice "
        "by itself.",
        _BELIEFS.format(name=name, finding=finding),
        _table(audit, pairs, "two_tests", f"Finding and {name} under stated beliefs"),
        _reasons(audit, pairs, "two_tests"),
    ]
    if choices.populations != "none":
        groups = audit.wording.word("group_by", choices.populations)
        parts += [
            _POPULATIONS.format(name=name, groups=inside_sentence(groups)),
            _table(audit, pairs, "two_populations", f"Finding and {name} in two groups of «nouns»"),
            _reasons(audit, pairs, "two_populations"),
        ]
    return "\n\n".join(part.strip("\n") for part in parts if part)


def _pairs(audit: Audit) -> Iterator[tuple[Condition, Maneuver]]:
    """Pairs with people enough that their figures may be shown."""
    for condition in audit.settled:
        for maneuver in audit.maneuvers(condition):
            if all(audit.reference_corrected(condition.code, maneuver.code, measure).shown for measure in BOTH):
                yield condition, maneuver


def _rows(audit: Audit, condition: Condition, maneuver: Maneuver, model: str) -> list[Row]:
    found = audit.table("latent_class").filter(condition=condition.code, maneuver=maneuver.code, model=model)
    return list(found.iter_rows(named=True))


def _table(audit: Audit, pairs: list[tuple[Condition, Maneuver]], model: str, caption: str) -> str:
    """A row a pair, conditions as headings; nothing where no pair has figures."""
    lines = []
    for condition, maneuver in pairs:
        rows = _rows(audit, condition, maneuver, model)
        if any(row["mean"] is None for row in rows) or not rows:
            continue
        cells = {name: [row for row in rows if row["parameter"] == name] for name in _PARAMETERS}
        lines.append(
            {"condition": condition.name, "maneuver": maneuver.name}
            | {name: "\n".join(_cell(row, model) for row in several) for name, several in cells.items()}
        )
    if not lines:
        return ""
    name = _name(audit, pairs[0][0])
    columns = (
        Column("maneuver", "Maneuver"),
        Column("sensitivity", "Sensitivity", "The maneuver"),
        Column("specificity", "Specificity", "The maneuver"),
        Column("reference_sensitivity", "Sensitivity", name),
        Column("reference_specificity", "Specificity", name),
        Column("prevalence", "Share with it", "The condition"),
    )
    level = percent(audit.protocol.intervals.level)
    return table(pl.DataFrame(lines), columns, caption=f"{caption}, {level} interval beneath", group="condition")


def _cell(row: Row, model: str) -> str:
    """The figure with its interval; of a prevalence in two groups also whose it is."""
    limits = percent_range(row["ci_low"], row["ci_high"])
    if model == "two_populations" and row["parameter"] == "prevalence":
        return f"{row['population'].replace('_', ' ')} {percent(row['mean'])} ({limits})"
    return f"{percent(row['mean'])}\n{limits}"


def _reasons(audit: Audit, pairs: list[tuple[Condition, Maneuver]], model: str) -> str:
    """Why there are no figures, one line a reason."""
    by: dict[str, dict[str, list[str]]] = {}
    for condition, maneuver in pairs:
        notes = [row["note"] for row in _rows(audit, condition, maneuver, model) if row["mean"] is None]
        if notes:
            by.setdefault(notes[0], {}).setdefault(condition.name, []).append(maneuver.name)
    lines = []
    for note, conditions in by.items():
        names = "; ".join(f"{inside_sentence(name)}: {listed(few)}" for name, few in conditions.items())
        lines.append(f"- No figure where {inside_sentence(note).rstrip('.')} ({names}).")
    return "\n".join(lines)


def _name(audit: Audit, condition: Condition) -> str:
    rows = audit.table("reference_accuracy").filter(condition=condition.code)
    modality = str(rows["modality"][0]) if rows.height else condition.reference_accuracy[0].modality
    return inside_sentence(audit.catalogue.modalities[modality].name.removesuffix(f" of the {audit.protocol.joint}"))

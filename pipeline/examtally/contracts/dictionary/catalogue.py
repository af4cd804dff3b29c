"""The catalogue's part of the data dictionary: an entry a row, then its properties, one a row."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Literal, TypeAlias

from examtally.contracts.catalogue.clinical import Catalogue, Condition, Maneuver, Published
from examtally.contracts.contract import Contract

Part: TypeAlias = Literal["records", "catalogue", "protocol", "study", "mapping", "results"]
Row: TypeAlias = dict[str, str]

COLUMNS = ("part", "table", "name", "choice", "type", "unit", "required", "legal", "description")


def entry(part: Part, table: str, name: str, **values: str) -> Row:
    """A row of the dictionary with blanks where nothing is given."""
    cells = dict.fromkeys(COLUMNS, "") | {"part": part, "table": table, "name": name} | values
    return {column: " ".join(value.split()) for column, value in cells.items()}


def _condition_rows(contract: Contract) -> Iterator[Row]:
    for condition in contract.catalogue.conditions.values():
        yield entry("catalogue", "conditions", condition.code, description=f"{condition.name}. {condition.plain}")
        properties = {**_condition_properties(condition), "assumed_accuracy": _assumed(contract.catalogue, condition)}
        for choice, text in properties.items():
            if text:
                yield entry("catalogue", "conditions", condition.code, choice=choice, description=text)


def _assumed(catalogue: Catalogue, condition: Condition) -> str:
    """What is assumed of the modalities of which nothing is published; a derived condition follows its parts."""
    generic = catalogue.generic_reference_accuracy
    if generic is None or condition.derived_from or not condition.unpublished:
        return ""
    return (
        f"{', '.join(condition.unpublished)}: no published figure; assumed sensitivity {generic.sensitivity:g}, "
        f"specificity {generic.specificity:g}, standard deviation {generic.logit_sd:g} on the logit scale"
    )


def _condition_properties(condition: Condition) -> Mapping[str, str]:
    limited = {
        entry.modality: f" ({', '.join(sorted(entry.only))})" for entry in condition.settled_by if len(entry.only) < 3
    }
    return {
        "core": _yes(condition.core),
        "present_means": condition.present_means,
        "derived_from": ", ".join(condition.derived_from),
        "settled_by": ", ".join(modality + limited.get(modality, "") for modality in condition.modalities),
        "taken_as_true": ", ".join(condition.taken_as_true),
        "window_days": ""
        if condition.window_days is None
        else "{} to {} days after the exam".format(*condition.window_days),
        "severity": "; ".join(f"{code.code}: {code.label}" for code in condition.severity),
        "pattern": "; ".join(f"{code.code}: {code.label}" for code in condition.pattern),
        "reference_accuracy": "; ".join(
            f"{row.modality} sensitivity {row.sensitivity:g}, specificity {row.specificity:g} ({row.source})"
            for row in condition.reference_accuracy
        ),
        "unsettled_note": condition.unsettled_note or "",
    }


def _maneuver_rows(contract: Contract) -> Iterator[Row]:
    for maneuver in contract.catalogue.maneuvers.values():
        yield entry(
            *("catalogue", "maneuvers", maneuver.code),
            type=maneuver.purpose,
            unit=maneuver.unit or "",
            required="core" if maneuver.core else "",
            description=f"{maneuver.name}. {maneuver.technique}",
        )
        for choice, text in _maneuver_properties(maneuver).items():
            if text:
                yield entry("catalogue", "maneuvers", maneuver.code, choice=choice, description=text)
        for grade, label in maneuver.grades.items():
            yield entry("catalogue", "maneuvers", maneuver.code, choice=f"grade {grade}", description=label)
        for number, row in enumerate(maneuver.published, 1):
            text = f"For {row.condition}: {_published(row)} ({row.about})"
            yield entry("catalogue", "maneuvers", maneuver.code, choice=f"published {number}", description=text)


def _maneuver_properties(maneuver: Maneuver) -> Mapping[str, str]:
    return {
        "phase": maneuver.phase,
        "conditions": ", ".join(maneuver.conditions),
        "positive": maneuver.positive,
        "signs": ", ".join(maneuver.signs),
        "measure": maneuver.measure_name or "",
        "variant_of": maneuver.variant_of or "",
        "compared_with_other_side": _yes(maneuver.compared_with_other_side),
        "end_point": _yes(maneuver.end_point),
        "done_first": _yes(maneuver.done_first),
        "silent_when_negative": _yes(maneuver.silent_when_negative),
        "cautions": " ".join(maneuver.cautions),
        "no_published_figure": maneuver.no_published_figure,
        "synonyms": ", ".join(maneuver.synonyms),
    }


def _published(row: Published) -> str:
    """Published figures as printed in their source: a percentage with its interval, or `not given`."""
    parts = []
    for measure in ("sensitivity", "specificity"):
        estimate, low, high = (getattr(row, name) for name in (measure, f"{measure}_low", f"{measure}_high"))
        limits = f" ({_percent(low)} to {_percent(high)})" if low is not None and high is not None else ""
        parts.append(f"{measure} {'not given' if estimate is None else _percent(estimate)}{limits}")
    return ", ".join(parts)


def _percent(share: float) -> str:
    return f"{round(100 * share, 4):g} %"


def _yes(flag: bool) -> str:
    return "yes" if flag else ""


def _history_rows(contract: Contract) -> Iterator[Row]:
    for item in contract.catalogue.history.values():
        yield entry("catalogue", "history_items", item.code, description=f"{item.label}. {item.question}")


def _mechanism_rows(contract: Contract) -> Iterator[Row]:
    for item in contract.catalogue.mechanisms.values():
        yield entry("catalogue", "mechanisms", item.code, description=f"{item.label}. {item.description}")


def _modality_rows(contract: Contract) -> Iterator[Row]:
    for item in contract.catalogue.modalities.values():
        yield entry("catalogue", "modalities", item.code, description=item.name)
        if item.always_covers:
            text = ", ".join(item.always_covers)
            yield entry("catalogue", "modalities", item.code, choice="always_covers", description=text)


CATALOGUE_SECTIONS: Mapping[str, tuple[str, Callable[[Contract], Iterator[Row]]]] = {
    "conditions": ("conditions", _condition_rows),
    "maneuvers": ("maneuvers", _maneuver_rows),
    "history_items": ("history items", _history_rows),
    "mechanisms": ("mechanisms", _mechanism_rows),
    "modalities": ("reference tests", _modality_rows),
}

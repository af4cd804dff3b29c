"""The maneuvers of a catalogue file: read and checked."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from types import MappingProxyType

from examtally.contracts.catalogue.clinical import Condition, Maneuver, Published
from examtally.contracts.catalogue.conditions import SOURCE, TRADE_NAME, figures
from examtally.contracts.yamlfile import Node

PHASES = ("look", "feel", "move", "special")
PURPOSES = ("diagnostic", "contributor", "safety")
UNITS = ("mm", "deg", "cm", "kg", "N", "s", "percent")
HIGHEST_GRADE = 5
BIASES = ("low", "unclear", "high")

_REQUIRED = ("name", "phase", "purpose", "positive", "signs", "technique", "synonyms")
_OPTIONAL = (
    *("conditions", "core", "compared_with_other_side", "variant_of", "grades", "unit", "measure_name"),
    *("cautions", "published", "no_published_figure", "end_point", "done_first", "silent_when_negative", "shorts"),
)


def read_maneuvers(section: Node, conditions: Mapping[str, Condition], signs: Collection[str]) -> dict[str, Maneuver]:
    """Maneuvers by code in file order; `signs` is the legal set of the findings table."""
    nodes = section.table("a maneuver code")
    entries = {code: node.record(_REQUIRED, _OPTIONAL) for code, node in nodes.items()}
    check_trade_names({code: entry["synonyms"] for code, entry in entries.items()})
    maneuvers = {code: _maneuver(code, nodes[code], entry, conditions, signs) for code, entry in entries.items()}
    for code, maneuver in maneuvers.items():
        if maneuver.variant_of is not None:
            _check_variant(entries[code]["variant_of"], maneuver, maneuvers)
    return maneuvers


def check_trade_names(synonyms: Mapping[str, Node]) -> None:
    """Refuse a synonym that is another entry's code or synonym: a charted name must lead to one entry only."""
    owner = {code.replace("_", " "): code for code in synonyms}
    for code, node in synonyms.items():
        for item in node.items():
            name = item.text(TRADE_NAME)
            if owner.setdefault(name, code) != code:
                raise item.fail(f"'{name}' already stands for {owner[name]}", "keep it in one place")


def _maneuver(
    code: str, node: Node, entry: Mapping[str, Node], conditions: Mapping[str, Condition], signs: Collection[str]
) -> Maneuver:
    intended = entry["conditions"].codes("a condition of this catalogue", conditions) if "conditions" in entry else ()
    purpose = entry["purpose"].code("a purpose", PURPOSES)
    if (purpose == "diagnostic") != bool(intended):
        mend = "name its conditions, or make it a contributor" if not intended else "remove them, or make it diagnostic"
        raise entry.get("conditions", node).fail(
            f"a {purpose} maneuver {'with' if intended else 'without'} conditions", mend
        )
    if ("unit" in entry) != ("measure_name" in entry):
        raise node.fail("'unit' and 'measure_name' go together", "give both or neither")
    published = entry["published"].items() if "published" in entry else ()
    if published and "no_published_figure" in entry:
        raise entry["no_published_figure"].fail("stands beside 'published'", "keep one of the two")
    return Maneuver(
        code=code,
        name=entry["name"].text(),
        phase=entry["phase"].code("a phase", PHASES),
        purpose=purpose,
        conditions=intended,
        positive=entry["positive"].text(),
        signs=entry["signs"].codes("a sign", signs),
        technique=entry["technique"].text(),
        grades=MappingProxyType(_grades(entry)),
        unit=entry["unit"].code("a unit", UNITS) if "unit" in entry else None,
        measure_name=entry["measure_name"].text() if "measure_name" in entry else None,
        compared_with_other_side=_flag(entry, "compared_with_other_side"),
        variant_of=entry["variant_of"].text() if "variant_of" in entry else None,
        core=_flag(entry, "core"),
        cautions=entry["cautions"].texts() if "cautions" in entry else (),
        published=tuple(_published(row, code, intended) for row in published),
        synonyms=entry["synonyms"].texts(TRADE_NAME),
        no_published_figure=entry["no_published_figure"].text() if "no_published_figure" in entry else "",
        end_point=_flag(entry, "end_point"),
        done_first=_flag(entry, "done_first"),
        silent_when_negative=_flag(entry, "silent_when_negative"),
        shorts=entry["shorts"].texts(TRADE_NAME) if "shorts" in entry else (),
    )


def _flag(entry: Mapping[str, Node], key: str) -> bool:
    return key in entry and entry[key].flag()


def _grades(entry: Mapping[str, Node]) -> dict[int, str]:
    """Grade labels by grade: 0, 1, … without a gap."""
    if "grades" not in entry:
        return {}
    table = entry["grades"].table(f"a grade from 0 to {HIGHEST_GRADE}", f"[0-{HIGHEST_GRADE}]")
    grades = {int(grade): node.text() for grade, node in table.items()}
    if len(grades) < 2 or list(grades) != list(range(len(grades))):
        raise entry["grades"].fail("is not a scale", "label two or more grades, 0 first, in order, without a gap")
    return grades


def _published(row: Node, code: str, intended: Collection[str]) -> Published:
    figures_of = ("sensitivity", "sensitivity_ci", "specificity", "specificity_ci")
    entry = row.record(("condition", "source", "setting"), (*figures_of, "population", "standard", "bias", "apart"))
    sensitivity, specificity = figures(entry, "sensitivity"), figures(entry, "specificity")
    if sensitivity[0] is None and specificity[0] is None:
        raise row.fail("gives no figure", "give sensitivity, specificity or both as proportions")
    return Published(
        entry["condition"].code(f"a condition of {code}", intended),
        *sensitivity,
        *specificity,
        source=entry["source"].text(SOURCE),
        setting=entry["setting"].text(),
        population=entry["population"].text() if "population" in entry else "",
        standard=entry["standard"].text() if "standard" in entry else "",
        bias=entry["bias"].code("a risk of bias", BIASES) if "bias" in entry else "",
        apart=_flag(entry, "apart"),
    )


def _check_variant(node: Node, maneuver: Maneuver, maneuvers: Mapping[str, Maneuver]) -> None:
    """A variant points to a maneuver for the same conditions that is no variant itself."""
    parents = [
        other.code
        for other in maneuvers.values()
        if other.variant_of is None and other.conditions == maneuver.conditions
    ]
    node.code("a maneuver for the same conditions", parents)

"""What a catalogue declares of its joint beside conditions and maneuvers: words, columns, groupings, model terms."""

from __future__ import annotations

from collections.abc import Mapping

from examtally.contracts.catalogue.clinical import ModelTerm, Noun, OwnGrouping
from examtally.contracts.checks import CODE
from examtally.contracts.yamlfile import Node

_COLUMN_TABLES = ("exams", "findings")
CASE_MIX = ("acuity", "guarding")
"""The case mix of a joint whose catalogue names none."""


def read_noun(top: Mapping[str, Node]) -> Noun:
    """What one joint and many are called."""
    entry = top["noun"].record(("one", "many"), ("charted",))
    charted = entry["charted"].texts("[^A-Z]+") if "charted" in entry else ()
    return Noun(entry["one"].text(), entry["many"].text(), top["region_noun"].text(), charted)


def read_columns(top: Mapping[str, Node]) -> dict[str, tuple[Node, ...]]:
    """The declarations of the joint's own columns, by record table, as they stand; the tables read them."""
    tables = top["columns"].record(optional=_COLUMN_TABLES) if "columns" in top else {}
    return {table: node.items() for table, node in tables.items()}


def read_groupings(top: Mapping[str, Node], columns: Mapping[str, tuple[Node, ...]]) -> dict[str, OwnGrouping]:
    """Groupings by columns of exams: a number is cut at `first`, a code stands for itself."""
    nodes = top["groupings"].table("a grouping") if "groupings" in top else {}
    kinds = {node.at("name").text(CODE): node.at("type").text() for node in columns.get("exams", ())}
    groupings = {}
    for name, node in nodes.items():
        entry = node.record(("column", "label"), ("first",))
        column = entry["column"].code("a column of this joint in exams", tuple(kinds))
        is_number = kinds[column] != "string"
        if is_number != ("first" in entry):
            mend = "add 'first', where each band from the second on begins" if is_number else "remove it"
            raise entry.get("first", node).fail("'first' goes with a column of numbers", mend)
        first = tuple(item.integer() for item in entry["first"].items()) if is_number else ()
        if list(first) != sorted(set(first)) or (is_number and not first):
            raise entry["first"].fail("is not ascending", "write one or more numbers, each larger than the one before")
        groupings[name] = OwnGrouping(name, column, entry["label"].text(), first)
    return groupings


def read_case_mix(top: Mapping[str, Node], groupings: Mapping[str, OwnGrouping]) -> tuple[str, ...]:
    """The groupings under which examiners are compared."""
    if "case_mix" not in top:
        return CASE_MIX
    return top["case_mix"].codes("a grouping for case mix", (*CASE_MIX, *groupings))


def read_model_terms(
    top: Mapping[str, Node], columns: Mapping[str, tuple[Node, ...]], groupings: Mapping[str, OwnGrouping]
) -> dict[str, ModelTerm]:
    """Terms of the model behind the leading estimate, each of some codes of a column that exams are grouped by."""
    nodes = top["model_terms"].table("a term") if "model_terms" in top else {}
    grouped = {one.column for one in groupings.values() if not one.first}
    coded = {
        name: node.at("constraints", "enum").texts()
        for node in columns.get("exams", ())
        if (name := node.at("name").text(CODE)) in grouped
    }
    terms = {}
    for name, node in nodes.items():
        entry = node.record(("column", "codes"))
        column = entry["column"].code("a column of codes that a grouping has", tuple(coded))
        terms[name] = ModelTerm(name, column, entry["codes"].codes(f"a code of {column}", coded[column]))
    return terms

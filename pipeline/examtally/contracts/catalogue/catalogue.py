"""The clinical catalogue of a joint, read from `schemas/catalogue/<joint>.yaml` and checked.

Everything clinical is declared there; another joint is another file. A wrong file is refused with file, path and mend.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

from examtally.contracts.catalogue.clinical import (
    AssumedAccuracy,
    Catalogue,
    Condition,
    HistoryItem,
    Maneuver,
    Mechanism,
    Modality,
    NamedCode,
    Published,
    ReferenceAccuracy,
    SettledBy,
)
from examtally.contracts.catalogue.conditions import TRADE_NAME, assumed_accuracy, read_conditions
from examtally.contracts.catalogue.maneuvers import check_trade_names, read_maneuvers
from examtally.contracts.catalogue.own import read_case_mix, read_columns, read_groupings, read_model_terms, read_noun
from examtally.contracts.checks import CODE, Fault, check_words
from examtally.contracts.yamlfile import Node, load_yaml
from examtally.errors import ContractError
from examtally.resources import resource

__all__ = [
    "AssumedAccuracy",
    "Catalogue",
    "Condition",
    "HistoryItem",
    "Maneuver",
    "Mechanism",
    "Modality",
    "NamedCode",
    "Published",
    "ReferenceAccuracy",
    "SettledBy",
    "load_catalogue",
]

_SECTIONS = ("modalities", "conditions", "maneuvers", "history", "mechanisms")
_WORDS = ("unsettled_note", "other_side_column", "sheet_caution", "rule_out_heading")
_NEEDED = ("joint", "title", "noun", "region_noun", *_SECTIONS, *_WORDS, "quick_rule_out")
_OPTIONAL = (
    *("card_caution", "comparison_rule", "proper_names", "generic_reference_accuracy"),
    *("signs", "columns", "groupings", "case_mix", "model_terms"),
)
FOLLOW_UP = "follow_up"


def joints() -> tuple[str, ...]:
    """The joints whose catalogue comes with the package."""
    return tuple(sorted(file.stem for file in (resource("schemas") / "catalogue").glob("*.yaml")))


def packaged(joint: str) -> Path:
    """The catalogue of a joint that comes with the package; ContractError where there is none."""
    if joint not in joints():
        raise ContractError(f"there is no catalogue of the joint '{joint}'; use one of {', '.join(joints())}")
    return resource("schemas") / "catalogue" / f"{joint}.yaml"


def load_catalogue(joint: str) -> Catalogue:
    """Read and check the catalogue of a joint that comes with the package."""
    file = packaged(joint)
    read = load_yaml(file)
    read.at("joint").code("the joint this file is named after", (file.stem,))
    return read_catalogue(read)


def read_catalogue(read: Node, local: str = "") -> Catalogue:
    """Check what a catalogue file says; `local` is its content as JSON where it is a group's own.

    Raises ContractError with file, path and mend.
    """
    _hold_to_words(read)
    top = read.record(_NEEDED, _OPTIONAL)
    generic = "generic_reference_accuracy"
    modalities = top["modalities"].table("a modality")
    if FOLLOW_UP not in modalities:
        raise top["modalities"].fail(f"'{FOLLOW_UP}' is missing", "every joint has it; add it with settled_by nowhere")
    conditions = read_conditions(
        top["conditions"], modalities, _declared_codes("references", "status"), top["unsettled_note"].text()
    )
    signs = {code: node.text() for code, node in top["signs"].table("a sign").items()} if "signs" in top else {}
    maneuvers = read_maneuvers(top["maneuvers"], conditions, (*_declared_codes("findings", "sign"), *signs))
    columns = read_columns(top)
    groupings = read_groupings(top, columns)
    return Catalogue(
        joint=top["joint"].text(CODE),
        title=top["title"].text(),
        noun=read_noun(top),
        modalities=MappingProxyType(_modalities(modalities, conditions)),
        conditions=MappingProxyType(conditions),
        maneuvers=MappingProxyType(maneuvers),
        history=MappingProxyType(_history(top["history"])),
        mechanisms=MappingProxyType(_mechanisms(top["mechanisms"])),
        quick_rule_out=top["quick_rule_out"].texts(),
        other_side_column=top["other_side_column"].text(CODE),
        card_caution=_said(top, "card_caution"),
        sheet_caution=_said(top, "sheet_caution"),
        rule_out_heading=_said(top, "rule_out_heading"),
        comparison_rule=_said(top, "comparison_rule"),
        generic_reference_accuracy=assumed_accuracy(top[generic]) if generic in top else None,
        proper_names=frozenset(top["proper_names"].texts() if "proper_names" in top else ()),
        signs=MappingProxyType(signs),
        columns=MappingProxyType(columns),
        groupings=MappingProxyType(groupings),
        case_mix=read_case_mix(top, groupings),
        model_terms=MappingProxyType(read_model_terms(top, columns, groupings)),
        hash=content_hash(read),
        local=local,
    )


def content_hash(read: Node) -> str:
    """The sha256 of the content of a catalogue, however its file is laid out."""
    text = json.dumps(read.plain(), sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _said(top: Mapping[str, Node], key: str) -> str:
    return top[key].text() if key in top else ""


def _hold_to_words(node: Node) -> None:
    """Texts of a catalogue stand within the sentences of reports, where a sign of markup would be read as such."""
    if isinstance(node.content, dict | tuple):
        for below in node.content.values() if isinstance(node.content, dict) else node.content:
            _hold_to_words(below)
    elif isinstance(node.content, str) and not re.fullmatch(CODE, node.content):
        try:
            check_words(node.content)
        except Fault as fault:
            raise node.fail(fault.problem, fault.mend) from None


def _declared_codes(table: str, field: str) -> tuple[str, ...]:
    """The legal set a record table declares for one of its fields: it stands there and nowhere else."""
    top = load_yaml(resource("schemas") / "tables" / f"{table}.yaml")
    for node in top.at("fields").items():
        if node.at("name").text() == field:
            return node.at("constraints", "enum").texts()
    raise top.fail(f"the field '{field}' is missing", "declare it with its legal set")


def _modalities(nodes: Mapping[str, Node], conditions: Mapping[str, Condition]) -> dict[str, Modality]:
    """Reference tests; a reading can cover only what its modality settles."""
    modalities = {}
    for code, node in nodes.items():
        entry = node.record(("name", "label", "always_covers"), ("is_surgery", "alone", "synonyms"))
        settles = [c.code for c in conditions.values() if code in c.modalities and not c.derived_from]
        covers = entry["always_covers"].codes(f"a condition that {code} settles by itself", settles)
        modalities[code] = Modality(
            code,
            name=entry["name"].text(),
            label=entry["label"].text(),
            always_covers=covers,
            is_surgery="is_surgery" in entry and entry["is_surgery"].flag(),
            alone="alone" in entry and entry["alone"].flag(),
            synonyms=entry["synonyms"].texts(TRADE_NAME) if "synonyms" in entry else (),
        )
    return modalities


def _history(section: Node) -> dict[str, HistoryItem]:
    nodes = section.table("a history item")
    entries = {code: node.record(("label", "question", "synonyms"), ("shorts",)) for code, node in nodes.items()}
    check_trade_names({code: entry["synonyms"] for code, entry in entries.items()})
    return {
        code: HistoryItem(
            code,
            entry["label"].text(),
            entry["question"].text(),
            entry["synonyms"].texts(TRADE_NAME),
            entry["shorts"].texts(TRADE_NAME) if "shorts" in entry else (),
        )
        for code, entry in entries.items()
    }


def _mechanisms(section: Node) -> dict[str, Mechanism]:
    nodes = section.table("a mechanism")
    entries = {code: node.record(("label", "description", "synonyms")) for code, node in nodes.items()}
    check_trade_names({code: entry["synonyms"] for code, entry in entries.items()})
    return {
        code: Mechanism(code, entry["label"].text(), entry["description"].text(), entry["synonyms"].texts(TRADE_NAME))
        for code, entry in entries.items()
    }

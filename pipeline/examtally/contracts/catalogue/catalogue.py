"""The clinical catalogue of a joint, read from `schemas/catalogue/<joint>.yaml` and checked.

Everything clinical is declared there; another joint is another file. A wrong file is refused with file, path and mend.
"""

from __future__ import annotations

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
from examtally.contracts.catalogue.conditions import assumed_accuracy, read_conditions
from examtally.contracts.catalogue.maneuvers import TRADE_NAME, check_trade_names, read_maneuvers
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


def load_catalogue(joint: str = "knee", path: Path | None = None) -> Catalogue:
    """Read and check the catalogue of a joint, or the file at `path`; raises ContractError with file, path and mend."""
    file = path or _packaged(joint)
    needed = ("joint", "title", *_SECTIONS, "unsettled_note", "quick_rule_out")
    generic = "generic_reference_accuracy"
    read = load_yaml(file)
    _hold_to_words(read)
    top = read.record(needed, ("card_caution", generic))
    modalities = top["modalities"].record(optional=_declared_codes("references", "modality"))
    conditions = read_conditions(
        top["conditions"], modalities, _declared_codes("references", "status"), top["unsettled_note"].text()
    )
    maneuvers = read_maneuvers(top["maneuvers"], conditions, _declared_codes("findings", "sign"))
    return Catalogue(
        joint=top["joint"].code("the joint this file is named after", (file.stem,)),
        title=top["title"].text(),
        modalities=MappingProxyType(_modalities(modalities, conditions)),
        conditions=MappingProxyType(conditions),
        maneuvers=MappingProxyType(maneuvers),
        history=MappingProxyType(_history(top["history"])),
        mechanisms=MappingProxyType(_mechanisms(top["mechanisms"])),
        quick_rule_out=top["quick_rule_out"].texts(),
        card_caution=top["card_caution"].text() if "card_caution" in top else "",
        generic_reference_accuracy=assumed_accuracy(top[generic]) if generic in top else None,
    )


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


def _packaged(joint: str) -> Path:
    folder = resource("schemas") / "catalogue"
    known = sorted(file.stem for file in folder.glob("*.yaml"))
    if joint not in known:
        raise ContractError(f"there is no catalogue of the joint '{joint}'; use one of {', '.join(known)}")
    return folder / f"{joint}.yaml"


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
        entry = node.record(("name", "always_covers"))
        settles = [c.code for c in conditions.values() if code in c.modalities and not c.derived_from]
        covers = entry["always_covers"].codes(f"a condition that {code} settles by itself", settles)
        modalities[code] = Modality(code, entry["name"].text(), covers)
    return modalities


def _history(section: Node) -> dict[str, HistoryItem]:
    nodes = section.table("a history item")
    entries = {code: node.record(("label", "question", "synonyms")) for code, node in nodes.items()}
    check_trade_names({code: entry["synonyms"] for code, entry in entries.items()})
    return {
        code: HistoryItem(code, entry["label"].text(), entry["question"].text(), entry["synonyms"].texts(TRADE_NAME))
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

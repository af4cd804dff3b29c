"""What a protocol compares: pairs of maneuvers for one condition, and pairs of groups."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from examtally.contracts.bands import Bands
from examtally.contracts.protocol.keys import ProtocolKey
from examtally.contracts.yamlfile import Node

if TYPE_CHECKING:
    from examtally.contracts.contract import Contract

FAMILY, GROUPS = "comparisons.family", "comparisons.groups"
_RECORDED = {
    "role": ("examiners", "role"),
    "setting": ("exams", "setting"),
    "sex": ("participants", "sex"),
    "effusion": ("exams", "effusion"),
    "guarding": ("exams", "guarding"),
}
_BANDED = ("acuity", "age_band", "bmi_band", "thigh_band")
Pairs = tuple[tuple[str, str], ...]


def maneuver_pairs(node: Node, _key: ProtocolKey, contract: Contract) -> dict[str, Pairs]:
    """Pairs of maneuvers by condition, each in catalogue order."""
    given = node.record(optional=tuple(contract.catalogue.conditions))
    found: dict[str, Pairs] = {}
    for code in contract.catalogue.conditions:
        own = _maneuvers(code, contract)
        if code in given:
            pairs = _pairs(given[code], f"a maneuver for {code}", own)
            found[code] = tuple((a, b) if own.index(a) < own.index(b) else (b, a) for a, b in pairs)
    return found


def group_pairs(node: Node, _key: ProtocolKey, contract: Contract) -> dict[str, Pairs]:
    """Pairs of groups by grouping; the bands are checked once their limits are known (`settle_pairs`)."""
    given = node.record(optional=(*_RECORDED, *_BANDED))
    return {
        name: _pairs(entry, f"a group of {name}", _recorded(name, entry, contract)) for name, entry in given.items()
    }


def settle_pairs(values: dict[str, Any], given: Mapping[str, Node], contract: Contract) -> None:
    """Let the family follow the core maneuvers where it is not given, and refuse a band that does not exist."""
    if FAMILY not in given:
        values[FAMILY] = _family(contract, values["core"])
    if GROUPS in given:
        entries = given[GROUPS].record(optional=(*_RECORDED, *_BANDED))
        for name in _BANDED:
            if name in entries:
                _pairs(entries[name], f"a group of {name}", Bands.cut(name, values[f"groups.{name}"]).codes)


def _family(contract: Contract, core: Collection[str]) -> dict[str, Pairs]:
    """Every core maneuver with every other of its condition, and every variant with what it varies."""
    catalogue = contract.catalogue
    family: dict[str, list[tuple[str, str]]] = {}
    for code in catalogue.conditions:
        own = _maneuvers(code, contract)
        for place, one in enumerate(own):
            for other in own[place + 1 :]:
                varies = catalogue.maneuvers[other].variant_of == one or catalogue.maneuvers[one].variant_of == other
                if one in core or other in core or varies:
                    family.setdefault(code, []).append((one, other))
    return {code: tuple(pairs) for code, pairs in family.items()}


def _maneuvers(condition: str, contract: Contract) -> tuple[str, ...]:
    return tuple(maneuver for code, maneuver in contract.catalogue.pairs if code == condition)


def _recorded(name: str, entry: Node, contract: Contract) -> Collection[str]:
    """The groups a record may name; for bands whatever is written, for their limits are not known yet."""
    if name in _BANDED:
        return {item.text() for pair in entry.items() for item in pair.items()}
    table, column = _RECORDED[name]
    return contract.tables[table].field(column).enum or ()


def _pairs(node: Node, what: str, legal: Collection[str]) -> Pairs:
    """Pairs as they are written, none twice in either order."""
    pairs: dict[frozenset[str], tuple[str, str]] = {}
    for entry in node.items():
        codes = entry.codes(what, legal)
        if len(codes) != 2:
            raise entry.fail("is not a pair", "write two, as [one, other]")
        if frozenset(codes) in pairs:
            raise entry.fail("stands twice", "keep it once")
        pairs[frozenset(codes)] = codes[0], codes[1]
    return tuple(pairs.values())

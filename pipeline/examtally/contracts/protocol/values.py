"""The values a protocol gives: each checked against the legal set of its key, and all brought into line."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from examtally.contracts.protocol.keys import MOST_VALUES, ProtocolKey, protocol_keys
from examtally.contracts.protocol.pairs import FAMILY, group_pairs, maneuver_pairs, settle_pairs
from examtally.contracts.yamlfile import Node, from_data, load_yaml
from examtally.errors import ProtocolError

if TYPE_CHECKING:
    from examtally.contracts.contract import Contract
from dataclasses import dataclass

from examtally.contracts.periods import PERIOD


@dataclass(frozen=True)
class Monitoring:
    """When a stated probability calls a condition likely or unlikely, how charts begin and how seldom they cry wolf."""

    likely: float
    unlikely: float
    baseline_from: Mapping[str, str]
    false_signals_a_year: float


CHARTED = (
    *("core_complete", "probability_stated", "equivocal", "examiner_blinded", "held_back"),
    *("missed_injuries", "verified", "days_to_reference", "yield", "unsuspected_proven"),
)
"""Indicators that have a chart by period."""


def read_baselines(node: Node) -> dict[str, str]:
    """The period from which the baseline of each named indicator counts; raise the node's error for any other."""
    return {code: entry.text(PERIOD) for code, entry in node.record(optional=CHARTED).items()}


def check_monitoring(values: Mapping[str, Any], given: Mapping[str, Node]) -> None:
    """Raise ProtocolError where unlikely is not below likely."""
    low, high = "monitoring.unlikely", "monitoring.likely"
    if values[low] >= values[high]:
        raise given[low if low in given else high].fail(
            f"unlikely ({values[low]:g}) is not below likely ({values[high]:g})", f"write {low} below {high}"
        )


@dataclass(frozen=True)
class Learning:
    """The charts of learning: shares of failures that are told apart, and what a failure is."""

    p_acceptable: float
    p_unacceptable: float
    margin: float
    planned: int
    false_signal: float
    outcome: str
    orders: int
    seed: int


def check_learning(values: Mapping[str, Any], given: Mapping[str, Node]) -> None:
    """Raise ProtocolError where the acceptable share of failures is not below the unacceptable one."""
    low, high = "learning.p_acceptable", "learning.p_unacceptable"
    if values[low] >= values[high]:
        raise given[low if low in given else high].fail(
            f"the acceptable share of failures ({values[low]:g}) is not below the unacceptable one ({values[high]:g})",
            f"write {low} below {high}",
        )


T = TypeVar("T", int, float)

FOLLOW_UP = "follow_up"
_WINDOWS, _ACCEPTED, _DEFINITIONS = "windows", "reference.accepted", "reference.clinical_case_definition"
_LONGEST_DAY = 36500
_LONGEST_TEXT = 2000


def read_values(source: Path | Mapping[str, Any] | None, contract: Contract) -> dict[str, Any]:
    """Return the value of every key by its path: what `source` gives, over the defaults.

    Raises ProtocolError for an unknown key or an illegal value: one line with file, line, path, legal set and mend.
    """
    given = _given(source)
    values: dict[str, Any] = {}
    for key in protocol_keys():
        node = given.get(key.path)
        if node is not None:
            values[key.path] = _CHECKS[key.type](node, key, contract)
        elif key.is_from_catalogue:
            values[key.path] = _CATALOGUE_DEFAULTS[key.path](contract)
        else:
            values[key.path] = _CHECKS[key.type](key.default, key, contract)
    _Reference(values, given, contract).settle()
    settle_pairs(values, given, contract)
    check_learning(values, given)
    check_monitoring(values, given)
    return values


def _given(source: Path | Mapping[str, Any] | None) -> dict[str, Node]:
    """The nodes of a protocol by dotted path."""
    if isinstance(source, Path):
        top = load_yaml(source, ProtocolError)
    else:
        top = from_data(source or {}, "protocol", ProtocolError)
    sections: dict[str, list[str]] = {}
    for key in protocol_keys():
        name, _, inner = key.path.partition(".")
        sections.setdefault(name, []).extend([inner] if inner else [])
    given: dict[str, Node] = {}
    for name, node in top.record(optional=tuple(sections)).items():
        if sections[name]:
            given |= {f"{name}.{key}": child for key, child in node.record(optional=sections[name]).items()}
        else:
            given[name] = node
    return given


def _windows_of_catalogue(contract: Contract) -> dict[str, tuple[int, int]]:
    conditions = contract.catalogue.conditions.values()
    return {condition.code: condition.window_days for condition in conditions if condition.window_days is not None}


def _accepted_of_catalogue(contract: Contract) -> dict[str, tuple[str, ...]]:
    conditions = contract.catalogue.conditions.values()
    return {condition.code: condition.modalities for condition in conditions if condition.modalities}


def _core_of_catalogue(contract: Contract) -> tuple[str, ...]:
    return tuple(maneuver.code for maneuver in contract.catalogue.maneuvers.values() if maneuver.core)


_CATALOGUE_DEFAULTS: Mapping[str, Callable[[Contract], Any]] = {
    "joint": lambda contract: contract.catalogue.joint,
    "core": _core_of_catalogue,
    _WINDOWS: _windows_of_catalogue,
    _ACCEPTED: _accepted_of_catalogue,
    FAMILY: lambda _contract: {},  # follows the core maneuvers, see settle_pairs
}


def _choice(node: Node, key: ProtocolKey, contract: Contract) -> str:
    return node.code("a legal value", key.legal(contract))


def _codes(node: Node, key: ProtocolKey, contract: Contract) -> tuple[str, ...]:
    return node.codes("a legal value", key.legal(contract))


def _flag(node: Node, _key: ProtocolKey, _contract: Contract) -> bool:
    return node.flag()


def _integer(node: Node, key: ProtocolKey, _contract: Contract) -> int:
    return node.integer(int(key.low), int(key.high))


def _number(node: Node, key: ProtocolKey, _contract: Contract) -> float:
    return _between(node, key.low, key.high)


def _cuts(node: Node, key: ProtocolKey, contract: Contract) -> tuple[int, ...]:
    cuts = _ascending(node, tuple(_integer(item, key, contract) for item in node.items()))
    if key.length is not None and len(cuts) != key.length:
        raise node.fail(f"does not hold {key.length} numbers", f"write {key.words}")
    return cuts


def _probabilities(node: Node, key: ProtocolKey, _contract: Contract) -> tuple[float, ...]:
    return _ascending(node, tuple(_between(item, key.low, key.high) for item in node.items()))


def _seconds(node: Node, key: ProtocolKey, contract: Contract) -> dict[str, int]:
    given = node.record(optional=tuple(contract.catalogue.maneuvers))
    return {code: _integer(given[code], key, contract) for code in contract.catalogue.maneuvers if code in given}


def _prevalence(node: Node, key: ProtocolKey, contract: Contract) -> dict[str, float]:
    if node.content is None:
        return {}
    if isinstance(node.content, dict):
        return {code: _between(entry, key.low, key.high) for code, entry in _by_condition(node, contract).items()}
    return dict.fromkeys(contract.catalogue.conditions, _between(node, key.low, key.high))


def _windows(node: Node, _key: ProtocolKey, contract: Contract) -> dict[str, tuple[int, int]]:
    given = {code: _window(entry) for code, entry in _by_condition(node, contract).items()}
    return _in_order(_windows_of_catalogue(contract) | given, contract)


def _window(node: Node) -> tuple[int, int]:
    days = [item.integer(-_LONGEST_DAY, _LONGEST_DAY) for item in node.items()]
    if len(days) != 2 or days[0] > days[1]:
        raise node.fail("is not a window", "write first and last day, as [0, 90]")
    return days[0], days[1]


def _modalities(node: Node, _key: ProtocolKey, contract: Contract) -> dict[str, tuple[str, ...]]:
    given: dict[str, tuple[str, ...]] = {}
    for code, entry in _by_condition(node, contract).items():
        legal = tuple(dict.fromkeys((*contract.catalogue.conditions[code].modalities, FOLLOW_UP)))
        given[code] = entry.codes(f"a modality that can settle {code}", legal)
        if not given[code]:
            raise entry.fail("is empty", f"name one or more of {', '.join(legal)}")
    return _in_order(_accepted_of_catalogue(contract) | given, contract)


def _definitions(node: Node, _key: ProtocolKey, contract: Contract) -> dict[str, str]:
    texts = {code: _definition(entry, code, contract) for code, entry in _by_condition(node, contract).items()}
    return _in_order(texts, contract)


def _definition(node: Node, condition: str, contract: Contract) -> str:
    text = " ".join(node.text().split())
    if len(text) > _LONGEST_TEXT or not text.isprintable():
        raise node.fail("is not plain text", f"write at most {_LONGEST_TEXT} printable characters")
    spoken = text.lower().replace("_", " ")
    for maneuver in contract.catalogue.maneuvers.values():
        names = (maneuver.code.replace("_", " "), maneuver.name.lower(), *(word.lower() for word in maneuver.synonyms))
        if condition in maneuver.conditions and any(re.search(rf"\b{re.escape(name)}\b", spoken) for name in names):
            raise node.fail(
                f"uses the index maneuver {maneuver.code}", "define the case without the maneuvers under study"
            )
    return text


_CHECKS: Mapping[str, Callable[[Node, ProtocolKey, Contract], Any]] = {
    "choice": _choice,
    "codes": _codes,
    "boolean": _flag,
    "integer": _integer,
    "number": _number,
    "cuts": _cuts,
    "probabilities": _probabilities,
    "numbers": _probabilities,
    "prevalence": _prevalence,
    "seconds": _seconds,
    "windows": _windows,
    "modalities": _modalities,
    "definitions": _definitions,
    "baselines": lambda node, _key, _contract: read_baselines(node),
    "maneuver_pairs": maneuver_pairs,
    "group_pairs": group_pairs,
}


class _Reference:
    """Windows, accepted modalities and case definitions of one protocol, which must agree with each other."""

    def __init__(self, values: dict[str, Any], given: Mapping[str, Node], contract: Contract) -> None:
        self.windows: dict[str, tuple[int, int]] = values[_WINDOWS]
        self.accepted: dict[str, tuple[str, ...]] = values[_ACCEPTED]
        self.definitions: dict[str, str] = values[_DEFINITIONS]
        self.given = given
        self.contract = contract

    def settle(self) -> None:
        """Let definitions settle, refuse contradictions, and let a derived condition follow its parts."""
        for condition in self.definitions:
            self.accepted.setdefault(condition, (FOLLOW_UP,))
            self._check_definition(condition)
        for condition, modalities in self.accepted.items():
            if FOLLOW_UP in modalities and condition not in self.definitions:
                mend = f"write {_DEFINITIONS}.{condition}, or drop {FOLLOW_UP}"
                self._refuse(_ACCEPTED, condition, f"{FOLLOW_UP} needs a written case definition", mend)
        for condition in self.windows:
            if condition not in self.accepted:
                mend = f"drop it, or write {_DEFINITIONS}.{condition}"
                self._refuse(_WINDOWS, condition, "is a window for a condition that nothing settles", mend)
        self._follow_parts()

    def _check_definition(self, condition: str) -> None:
        if FOLLOW_UP not in self.accepted[condition]:
            mend = f"add {FOLLOW_UP} to {_ACCEPTED}.{condition}, or drop the definition"
            self._refuse(_DEFINITIONS, condition, f"is not used, since {FOLLOW_UP} is not accepted", mend)
        if condition not in self.windows:
            mend = f"add {_WINDOWS}.{condition}, as [first, last] in days after the exam"
            self._refuse(_DEFINITIONS, condition, "has no window", mend)

    def _follow_parts(self) -> None:
        for condition in self.contract.catalogue.conditions.values():
            parts = condition.derived_from
            if parts and not self._is_given(_WINDOWS, condition.code):
                spans = [self.windows[part] for part in parts]
                self.windows[condition.code] = (min(low for low, _ in spans), max(high for _, high in spans))
            if parts and not self._is_given(_ACCEPTED, condition.code):
                modalities = dict.fromkeys(modality for part in parts for modality in self.accepted[part])
                self.accepted[condition.code] = tuple(modalities)

    def _is_given(self, key: str, condition: str) -> bool:
        return key in self.given and condition in _by_condition(self.given[key], self.contract)

    def _refuse(self, key: str, condition: str, problem: str, mend: str) -> None:
        raise _by_condition(self.given[key], self.contract)[condition].fail(problem, mend)


def _by_condition(node: Node, contract: Contract) -> dict[str, Node]:
    return node.record(optional=tuple(contract.catalogue.conditions))


def _in_order(values: Mapping[str, Any], contract: Contract) -> dict[str, Any]:
    return {code: values[code] for code in contract.catalogue.conditions if code in values}


def _between(node: Node, low: float, high: float) -> float:
    value = node.number()
    if not low < value < high:
        raise node.fail(f"{value:g} is out of range", f"write a number above {low:g} and below {high:g}")
    return value


def _ascending(node: Node, values: tuple[T, ...]) -> tuple[T, ...]:
    if not 1 <= len(values) <= MOST_VALUES or any(a >= b for a, b in pairwise(values)):
        raise node.fail("is not ascending", f"write 1 to {MOST_VALUES} numbers, each larger than the one before")
    return values

"""The keys a protocol may set, as declared in schemas/protocol.yaml, and the check of each value."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from examtally.contracts.yamlfile import Node, from_data, load_yaml
from examtally.errors import ExamtallyError, ProtocolError
from examtally.resources import resource

if TYPE_CHECKING:
    from examtally.contracts.contract import Contract

FROM_CATALOGUE = "from_catalogue"
FOLLOW_UP = "follow_up"
_LONGEST_DAY = 36500
_LONGEST_TEXT = 2000
_MOST_VALUES = 20
_FIELDS = ("enum", "of", "value", "minimum", "maximum", "above", "below", "length")


@dataclass(frozen=True)
class ProtocolKey:
    """One key: its dotted path, the kind of value it takes with the limits of it, its default and its meaning."""

    path: str
    type: str
    description: str
    default: Node
    enum: tuple[str, ...]
    of: str
    value: str
    minimum: float | None
    maximum: float | None
    length: int | None

    def legal(self, contract: Contract) -> tuple[str, ...]:
        """The codes this key may take under `contract`; empty for kinds without codes."""
        return declared_codes(self.of, contract) if self.of else self.enum

    def check(self, node: Node, contract: Contract) -> Any:
        """Return the value of `node`, or raise its error."""
        return _CHECKS[self.type](node, self, contract)


@lru_cache(maxsize=1)
def protocol_keys() -> tuple[ProtocolKey, ...]:
    """Every declared key, in the order of the file."""
    top = load_yaml(resource("schemas") / "protocol.yaml").record(required=("title", "description", "keys"))
    return tuple(_declared(node) for node in top["keys"].items())


def declared_codes(of: str, contract: Contract) -> tuple[str, ...]:
    """The codes behind an `of`: joints, conditions, maneuvers, or a column of a record table (`exams.setting`)."""
    if of == "joints":
        return (contract.catalogue.joint,)
    if of in ("conditions", "maneuvers"):
        return tuple(getattr(contract.catalogue, of))
    table, _, column = of.partition(".")
    return tuple(contract.tables[table].field(column).enum or ())


def read_protocol_values(source: Path | Mapping[str, Any] | None, contract: Contract) -> dict[str, Any]:
    """Return the value of every key by its path: what `source` gives, over the defaults."""
    given = _given(source)
    values = {
        key.path: key.check(given[key.path], contract) if key.path in given else _default(key, contract)
        for key in protocol_keys()
    }
    _settle(values, given, contract)
    return values


def _declared(node: Node) -> ProtocolKey:
    entry = node.record(required=("key", "type", "default", "description"), optional=_FIELDS)
    numbers = {name: entry[name].number() for name in ("minimum", "maximum", "above", "below") if name in entry}
    return ProtocolKey(
        path=entry["key"].text(r"[a-z_]+(\.[a-z_]+)?"),
        type=entry["type"].code("a kind of value", tuple(_CHECKS)),
        description=entry["description"].text(),
        default=entry["default"],
        enum=entry["enum"].texts() if "enum" in entry else (),
        of=entry["of"].text() if "of" in entry else "",
        value=entry["value"].code("a kind of value", tuple(_BY_CONDITION)) if "value" in entry else "",
        minimum=numbers.get("minimum", numbers.get("above")),
        maximum=numbers.get("maximum", numbers.get("below")),
        length=entry["length"].integer(1, _MOST_VALUES) if "length" in entry else None,
    )


def _given(source: Path | Mapping[str, Any] | None) -> dict[str, Node]:
    top = (
        load_yaml(source, ProtocolError)
        if isinstance(source, Path)
        else from_data(source or {}, "protocol", ProtocolError)
    )
    sections: dict[str, list[str]] = {}
    for key in protocol_keys():
        name, _, inner = key.path.partition(".")
        sections.setdefault(name, []).extend([inner] if inner else [])
    given: dict[str, Node] = {}
    for name, node in top.record(optional=tuple(sections)).items():
        inner = node.record(optional=sections[name]) if sections[name] else {"": node}
        given.update({f"{name}.{key}" if key else name: child for key, child in inner.items()})
    return given


def _default(key: ProtocolKey, contract: Contract) -> Any:
    if key.default.content != FROM_CATALOGUE:
        return key.check(key.default, contract)
    return _CATALOGUE_DEFAULTS[key.path](contract)


def _windows(contract: Contract) -> dict[str, tuple[int, int]]:
    conditions = contract.catalogue.conditions.values()
    return {condition.code: condition.window_days for condition in conditions if condition.window_days is not None}


def _accepted(contract: Contract) -> dict[str, tuple[str, ...]]:
    conditions = contract.catalogue.conditions.values()
    return {
        condition.code: tuple(settled.modality for settled in condition.settled_by)
        for condition in conditions
        if condition.settled_by
    }


def _core(contract: Contract) -> tuple[str, ...]:
    return tuple(maneuver.code for maneuver in contract.catalogue.maneuvers.values() if maneuver.core)


_CATALOGUE_DEFAULTS: Mapping[str, Callable[[Contract], Any]] = {
    "joint": lambda contract: contract.catalogue.joint,
    "windows": _windows,
    "reference.accepted": _accepted,
    "core": _core,
}


def _choice(node: Node, key: ProtocolKey, contract: Contract) -> str:
    return node.code("a legal value", key.legal(contract))


def _codes(node: Node, key: ProtocolKey, contract: Contract) -> tuple[str, ...]:
    return node.codes("a legal value", key.legal(contract))


def _flag(node: Node, _key: ProtocolKey, _contract: Contract) -> bool:
    return node.flag()


def _integer(node: Node, key: ProtocolKey, _contract: Contract) -> int:
    return node.integer(_whole(key.minimum), _whole(key.maximum))


def _number(node: Node, key: ProtocolKey, _contract: Contract) -> float:
    """A number strictly between the limits of the key."""
    return _strictly_between(node, key.minimum or 0.0, 1.0 if key.maximum is None else key.maximum)


def _cuts(node: Node, key: ProtocolKey, _contract: Contract) -> tuple[int, ...]:
    cuts = tuple(item.integer(_whole(key.minimum), _whole(key.maximum)) for item in node.items())
    if key.length is not None and len(cuts) != key.length:
        raise node.fail(f"holds {len(cuts)} numbers", f"write {key.length} whole numbers, ascending")
    return _ascending(node, cuts)


def _probabilities(node: Node, _key: ProtocolKey, _contract: Contract) -> tuple[float, ...]:
    return _ascending(node, tuple(_strictly_between(item, 0.0, 1.0) for item in node.items()))


def _prevalence(node: Node, _key: ProtocolKey, contract: Contract) -> dict[str, float]:
    if node.content is None:
        return {}
    if isinstance(node.content, dict):
        entries = node.record(optional=tuple(contract.catalogue.conditions))
        return {condition: _strictly_between(entry, 0.0, 1.0) for condition, entry in entries.items()}
    return dict.fromkeys(contract.catalogue.conditions, _strictly_between(node, 0.0, 1.0))


def _by_condition(node: Node, key: ProtocolKey, contract: Contract) -> dict[str, Any]:
    """What the file gives for some conditions, over the catalogue's value for the others."""
    entries = node.record(optional=tuple(contract.catalogue.conditions))
    start = _default(key, contract) if key.default.content == FROM_CATALOGUE else {}
    given = {condition: _BY_CONDITION[key.value](entry, condition, contract) for condition, entry in entries.items()}
    return {
        condition: {**start, **given}[condition]
        for condition in contract.catalogue.conditions
        if condition in {**start, **given}
    }


def _window(node: Node, _condition: str, _contract: Contract) -> tuple[int, int]:
    days = [item.integer(-_LONGEST_DAY, _LONGEST_DAY) for item in node.items()]
    if len(days) != 2 or days[0] > days[1]:
        raise node.fail("is not a window", "write first and last day, as [0, 90]")
    return days[0], days[1]


def _modalities(node: Node, condition: str, contract: Contract) -> tuple[str, ...]:
    declared = contract.catalogue.conditions[condition]
    parts = [contract.catalogue.conditions[code] for code in declared.derived_from]
    settled = [settled.modality for source in (declared, *parts) for settled in source.settled_by]
    chosen = node.codes(f"a modality that can settle {condition}", tuple(dict.fromkeys([*settled, FOLLOW_UP])))
    if not chosen:
        raise node.fail("is empty", f"name at least one modality, or leave {condition} out")
    return chosen


def _definition(node: Node, condition: str, contract: Contract) -> str:
    text = " ".join(node.text().split())
    if len(text) > _LONGEST_TEXT or not text.isprintable():
        raise node.fail("is not a plain text", f"write at most {_LONGEST_TEXT} printable characters")
    spoken = text.lower().replace("_", " ")
    for maneuver in contract.catalogue.maneuvers.values():
        names = (maneuver.code.replace("_", " "), maneuver.name.lower())
        if condition in maneuver.conditions and any(name in spoken for name in names):
            raise node.fail(
                f"uses the index maneuver {maneuver.code}", "define the case without the maneuvers under study"
            )
    return text


_BY_CONDITION: Mapping[str, Callable[[Node, str, Contract], Any]] = {
    "window": _window,
    "modalities": _modalities,
    "text": _definition,
}

_CHECKS: Mapping[str, Callable[[Node, ProtocolKey, Contract], Any]] = {
    "choice": _choice,
    "codes": _codes,
    "boolean": _flag,
    "integer": _integer,
    "number": _number,
    "cuts": _cuts,
    "probabilities": _probabilities,
    "prevalence": _prevalence,
    "by_condition": _by_condition,
}


def _settle(values: dict[str, Any], given: Mapping[str, Node], contract: Contract) -> None:
    """Bring windows, accepted modalities and case definitions into line with each other."""
    windows: dict[str, tuple[int, int]] = values["windows"]
    accepted: dict[str, tuple[str, ...]] = values["reference.accepted"]
    definitions: dict[str, str] = values["reference.clinical_case_definition"]

    def fault(key: str, condition: str, problem: str, mend: str) -> ExamtallyError:
        return given[key].record(optional=tuple(contract.catalogue.conditions))[condition].fail(problem, mend)

    for condition in definitions:
        accepted.setdefault(condition, (FOLLOW_UP,))
        if FOLLOW_UP not in accepted[condition]:
            mend = f"add {FOLLOW_UP} to reference.accepted.{condition}, or drop the definition"
            raise fault("reference.clinical_case_definition", condition, "lets nothing settle the condition", mend)
        if condition not in windows:
            mend = f"add windows.{condition}: [first, last] in days after the exam"
            raise fault("reference.clinical_case_definition", condition, "has no window", mend)
    for condition, modalities in accepted.items():
        if FOLLOW_UP in modalities and condition not in definitions:
            mend = f"write reference.clinical_case_definition.{condition}, or drop {FOLLOW_UP}"
            raise fault("reference.accepted", condition, f"{FOLLOW_UP} needs a written case definition", mend)
    _fill_derived(windows, accepted, contract)
    for condition in windows:
        if condition not in accepted:
            mend = "drop it, or write a reference.clinical_case_definition for it"
            raise fault("windows", condition, "is a window for a condition that nothing settles", mend)


def _fill_derived(
    windows: dict[str, tuple[int, int]], accepted: dict[str, tuple[str, ...]], contract: Contract
) -> None:
    """Give a derived condition, where it has none of its own, the span of its parts' windows and their modalities."""
    for condition in contract.catalogue.conditions.values():
        parts = condition.derived_from
        if not parts:
            continue
        spans = [windows[part] for part in parts]
        windows.setdefault(condition.code, (min(low for low, _ in spans), max(high for _, high in spans)))
        accepted.setdefault(condition.code, tuple(dict.fromkeys(m for part in parts for m in accepted[part])))


def _strictly_between(node: Node, low: float, high: float) -> float:
    value = node.number()
    if not low < value < high:
        raise node.fail(f"{value} is out of range", f"write a number above {low:g} and below {high:g}")
    return value


def _ascending(node: Node, values: tuple[Any, ...]) -> tuple[Any, ...]:
    if not 1 <= len(values) <= _MOST_VALUES or any(a >= b for a, b in pairwise(values)):
        raise node.fail("is not ascending", f"write 1 to {_MOST_VALUES} numbers, each larger than the one before")
    return values


def _whole(limit: float | None) -> int | None:
    return None if limit is None else int(limit)

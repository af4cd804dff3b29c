"""The faults of a dirty export, as declared in `synthetic/faults.yaml`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from examtally.contracts.catalogue.catalogue import joints
from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.records.rules import reference_rules, rules_for
from examtally.contracts.records.tables import Table
from examtally.contracts.yamlfile import Node, load_yaml
from examtally.resources import resource


@dataclass(frozen=True)
class Place:
    """Which lines a fault may fall on: of one table, holding the codes `among`, with nothing in the columns `blank`."""

    table: str
    column: str
    among: Mapping[str, str]
    blank: tuple[str, ...]
    in_place: bool


@dataclass(frozen=True)
class Fault:
    """One spoiled cell. `waits` where the line is kept until what it refers to comes, held back otherwise."""

    place: Place
    rule: str
    text: str | None
    identifying: bool
    waits: bool


@dataclass(frozen=True)
class Variant:
    """A line that says something else: the first of `texts` that is not in its cell already."""

    place: Place
    texts: tuple[str, ...]


@dataclass(frozen=True)
class Faults:
    """Everything that is wrong with a dirty export.

    `changed` lines say something else than the clean records; `differing` ones stand beside the line they differ from;
    `identical` says how many lines of a table stand twice.
    """

    faults: tuple[Fault, ...]
    changed: tuple[Variant, ...]
    identical: Mapping[str, int]
    differing: tuple[Variant, ...]


def load_faults(contract: Contract, path: Path | None = None) -> Faults:
    """Read the declared faults; raises ContractError where one breaks no rule of the contract.

    A fault of a column or among codes that another joint has is passed over.
    """
    top = load_yaml(path or resource("synthetic") / "faults.yaml")
    entries = top.record(required=("faults", "changed", "identical", "differing"))
    return Faults(
        faults=tuple(_fault(node, contract) for node in _own(entries["faults"], contract)),
        identical={
            table: node.integer(1) for table, node in entries["identical"].record(optional=contract.tables).items()
        },
        changed=tuple(_variant(node, contract) for node in _own(entries["changed"], contract)),
        differing=tuple(_variant(node, contract) for node in _own(entries["differing"], contract)),
    )


def _own(listed: Node, contract: Contract) -> list[Node]:
    """The entries that this joint can have."""
    return [node for node in listed.items() if _is_own(node, contract)]


def _is_own(node: Node, contract: Contract) -> bool:
    table = contract.tables[node.at("table").code("a record table", contract.tables)]
    column = node.at("column").text()
    among = node.at("among").table("a column") if node.has("among") else {}
    codes = {name: code.text() for name, code in among.items() if name in table.names}
    is_of_other = column not in table.names and any(
        column in one.tables[table.name].names for one in map(load_contract, joints())
    )
    return not is_of_other and all(code in (table.field(name).enum or (code,)) for name, code in codes.items())


def _fault(node: Node, contract: Contract) -> Fault:
    entries = node.record(
        required=("table", "column", "rule"), optional=("text", "among", "blank", "identifying", "in_place")
    )
    place = _place(entries, contract)
    rules = {rule.id: False for rule in rules_for(contract, place.table)}
    rules |= {rule.id: rule.unknown == "wait" for rule in reference_rules(contract, place.table)}
    kinds = [rule.rpartition(".")[2] for rule in rules if rule.startswith(f"{place.table}.{place.column}.")]
    rule = f"{place.table}.{place.column}.{entries['rule'].code('a rule of that column', kinds)}"
    return Fault(
        place=place,
        rule=rule,
        text=str(entries["text"].plain()) if "text" in entries else None,
        identifying="identifying" in entries and entries["identifying"].flag(),
        waits=rules[rule],
    )


def _variant(node: Node, contract: Contract) -> Variant:
    entries = node.record(required=("table", "column", "texts"), optional=("among", "blank", "in_place"))
    return Variant(_place(entries, contract), entries["texts"].texts())


def _place(entries: Mapping[str, Node], contract: Contract) -> Place:
    table: Table = contract.tables[entries["table"].code("a record table", contract.tables)]
    among = entries["among"].record(optional=table.names) if "among" in entries else {}
    return Place(
        table=table.name,
        column=entries["column"].code(f"a column of {table.name}", table.names),
        among={column: node.text() for column, node in among.items()},
        blank=entries["blank"].codes(f"a column of {table.name}", table.names) if "blank" in entries else (),
        in_place="in_place" in entries and entries["in_place"].flag(),
    )

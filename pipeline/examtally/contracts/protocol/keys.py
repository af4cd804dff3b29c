"""The keys a protocol may set, as declared in schemas/protocol.yaml."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from examtally.contracts.yamlfile import Node, load_yaml
from examtally.resources import resource

if TYPE_CHECKING:
    from examtally.contracts.contract import Contract

FROM_CATALOGUE = "from_catalogue"
MOST_VALUES = 20
KINDS = (
    *("choice", "codes", "boolean", "integer", "number", "cuts"),
    *("probabilities", "numbers", "prevalence", "seconds", "windows", "modalities", "definitions"),
    *("maneuver_pairs", "group_pairs", "baselines"),
)
_LIMITS = ("minimum", "maximum", "above", "below")


@dataclass(frozen=True)
class ProtocolKey:
    """One key: its dotted path, the kind of value it takes, the limits of that kind, its default and its meaning.

    `low` and `high` are inclusive for whole numbers and exclusive for fractions; `default` is the declared node,
    FROM_CATALOGUE where the catalogue holds it.
    """

    path: str
    type: str
    description: str
    default: Node
    enum: Mapping[str, str]
    of: str
    low: float
    high: float
    length: int | None

    @property
    def is_from_catalogue(self) -> bool:
        """Whether the catalogue of the joint holds the default."""
        return self.default.content == FROM_CATALOGUE

    @property
    def words(self) -> str:
        """The legal set in words."""
        low, high = f"{self.low:g}", f"{self.high:g}"
        return {
            "choice": "one of the codes",
            "codes": "a list of the codes, none twice",
            "boolean": "true or false",
            "integer": f"a whole number from {low} to {high}",
            "number": f"a number above {low} and below {high}",
            "cuts": f"ascending whole numbers from {low} to {high}"
            + (f", {self.length} of them" if self.length else ""),
            "probabilities": "ascending numbers above 0 and below 1",
            "numbers": f"ascending numbers above {low} and below {high}",
            "seconds": f"for each maneuver by name, a whole number from {low} to {high}",
            "prevalence": "a number above 0 and below 1, or one for each condition by name; blank for the local share",
            "windows": "for each condition by name, [first, last] in whole days",
            "modalities": "for each condition by name, a list of modalities that can settle it",
            "baselines": "for each indicator with a chart, by its code, a period as 2026-03 or P012",
            "definitions": "for each condition by name, a text that names none of its maneuvers",
            "maneuver_pairs": "for each condition by name, a list of pairs of its maneuvers, as [[one, other]]",
            "group_pairs": "for each grouping by name, a list of pairs of its groups, as [[one, other]]",
        }[self.type]

    def legal(self, contract: Contract) -> Mapping[str, str]:
        """The codes this key may take under `contract`, each with its meaning; empty for kinds without codes."""
        return _declared_codes(self.of, contract) if self.of else self.enum


@lru_cache(maxsize=1)
def protocol_keys() -> tuple[ProtocolKey, ...]:
    """Every declared key, in the order of the file; raises ContractError where the declaration is wrong."""
    top = load_yaml(resource("schemas") / "protocol.yaml").record(required=("title", "description", "keys"))
    return tuple(_key(node) for node in top["keys"].items())


def _declared_codes(of: str, contract: Contract) -> Mapping[str, str]:
    """The codes behind an `of`: joints, maneuvers, or a column of a record table (`exams.setting`)."""
    if of == "joints":
        return {contract.catalogue.joint: contract.catalogue.title}
    if of == "maneuvers":
        return {code: maneuver.name for code, maneuver in contract.catalogue.maneuvers.items()}
    table, _, column = of.partition(".")
    field = contract.tables[table].field(column)
    return {code: field.labels[code] for code in field.enum or ()}


def _key(node: Node) -> ProtocolKey:
    entry = node.record(required=("key", "type", "default", "description"), optional=("enum", "of", "length", *_LIMITS))
    limit = {name: entry[name].number() for name in _LIMITS if name in entry}
    return ProtocolKey(
        path=entry["key"].text(r"[a-z_]+(\.[a-z_]+)?"),
        type=entry["type"].code("a kind of value", KINDS),
        description=entry["description"].text(),
        default=entry["default"],
        enum={code: node.text() for code, node in entry["enum"].table().items()} if "enum" in entry else {},
        of=entry["of"].text() if "of" in entry else "",
        low=limit.get("minimum", limit.get("above", 0.0)),
        high=limit.get("maximum", limit.get("below", 1.0)),
        length=entry["length"].integer(1, MOST_VALUES) if "length" in entry else None,
    )

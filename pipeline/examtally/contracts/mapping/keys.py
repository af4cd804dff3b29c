"""The keys and legal sets of a mapping file, as declared in schemas/mapping.yaml."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from examtally.contracts.yamlfile import Node, load_yaml
from examtally.resources import resource


@dataclass(frozen=True)
class MappingKey:
    """One key of one section of a mapping file; `legal` maps each code it may take to its meaning, empty where open."""

    section: str
    name: str
    required: bool
    description: str
    legal: Mapping[str, str]


@dataclass(frozen=True)
class MappingForm:
    """All keys by section, the legal sets, the factor of each unit and the prefix of each kind of coded identifier."""

    sections: Mapping[str, tuple[MappingKey, ...]]
    legal: Mapping[str, Mapping[str, str]]
    factors: Mapping[str, float]
    prefixes: Mapping[str, str]

    def record(self, section: str, node: Node) -> dict[str, Node]:
        """Read `node` as one mapping with exactly the keys of a section."""
        keys = self.sections[section]
        required = [key.name for key in keys if key.required]
        return node.record(required, [key.name for key in keys if not key.required])


@lru_cache(maxsize=1)
def mapping_form() -> MappingForm:
    """Return the declared form of a mapping file; raises ContractError where the declaration is wrong."""
    top = load_yaml(resource("schemas") / "mapping.yaml").record(
        required=("title", "description", "sections", "legal", "factors", "prefixes")
    )
    legal = {name: _meanings(node) for name, node in top["legal"].table().items()}
    sections = {
        name: tuple(_key(name, key, entry, legal) for key, entry in node.table().items())
        for name, node in top["sections"].table().items()
    }
    factors = {name: node.number() for name, node in top["factors"].table().items()}
    prefixes = {name: node.text("[A-Z]{2}") for name, node in top["prefixes"].record(required=legal["kinds"]).items()}
    return MappingForm(
        MappingProxyType(sections), MappingProxyType(legal), MappingProxyType(factors), MappingProxyType(prefixes)
    )


def _meanings(node: Node) -> Mapping[str, str]:
    return {code: meaning.text() for code, meaning in node.table(pattern="[a-z0-9_-]+").items()}


def _key(section: str, name: str, node: Node, legal: Mapping[str, Mapping[str, str]]) -> MappingKey:
    entry = node.record(required=("required", "description"), optional=("legal",))
    codes = legal[entry["legal"].code("a legal set of this file", legal)] if "legal" in entry else {}
    return MappingKey(section, name, entry["required"].flag(), entry["description"].text(), codes)

"""The keys and legal sets of a study protocol, as declared in schemas/study.yaml."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from examtally.contracts.yamlfile import Node, load_yaml
from examtally.resources import resource


@dataclass(frozen=True)
class StudyKey:
    """One key of one section; `legal` maps each code it may take to its meaning, empty where open."""

    section: str
    name: str
    required: bool
    default: Node | None
    description: str
    legal: Mapping[str, str]


@dataclass(frozen=True)
class Entry:
    """One section as a file gives it, over the declared defaults: every value is read by the name of its key."""

    node: Node
    keys: Mapping[str, StudyKey]
    given: Mapping[str, Node]

    def has(self, name: str) -> bool:
        """Whether the file gives the key."""
        return name in self.given

    def at(self, name: str) -> Node:
        """What the file gives, else the default; KeyError where there is neither."""
        default = self.keys[name].default
        return self.given[name] if name in self.given or default is None else default

    def code(self, name: str, what: str) -> str | None:
        """The code of a key, None where it is not given and has no default."""
        if name not in self.given and self.keys[name].default is None:
            return None
        return self.at(name).code(what, self.keys[name].legal)

    def codes(self, name: str, what: str) -> tuple[str, ...]:
        """The codes of a key, none where it is not given and has no default."""
        if name not in self.given and self.keys[name].default is None:
            return ()
        return self.at(name).codes(what, self.keys[name].legal)


@dataclass(frozen=True)
class StudyForm:
    """All keys by section."""

    title: str
    sections: Mapping[str, Mapping[str, StudyKey]]

    def entry(self, section: str, node: Node) -> Entry:
        """Read `node` as one mapping with exactly the keys of a section."""
        keys = self.sections[section]
        required = [key.name for key in keys.values() if key.required]
        given = node.record(required, [key.name for key in keys.values() if not key.required])
        return Entry(node, keys, given)


@lru_cache(maxsize=1)
def study_form() -> StudyForm:
    """Return the declared form of a study protocol; raises ContractError where the declaration is wrong."""
    top = load_yaml(resource("schemas") / "study.yaml").record(required=("title", "description", "sections", "legal"))
    legal = {
        name: {code: one.text() for code, one in node.table().items()} for name, node in top["legal"].table().items()
    }
    sections = {
        section: MappingProxyType({key: _key(section, key, entry, legal) for key, entry in node.table().items()})
        for section, node in top["sections"].table().items()
    }
    return StudyForm(top["title"].text(), MappingProxyType(sections))


def _key(section: str, name: str, node: Node, legal: Mapping[str, Mapping[str, str]]) -> StudyKey:
    entry = node.record(required=("required", "description"), optional=("legal", "default"))
    codes = legal[entry["legal"].code("a legal set of this file", legal)] if "legal" in entry else {}
    return StudyKey(
        section,
        name,
        entry["required"].flag(),
        entry.get("default"),
        entry["description"].text(),
        MappingProxyType(codes),
    )

"""A group's own catalogue: a joint that comes with the package and what the group adds to it, or a joint of its own."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from examtally.contracts.catalogue.catalogue import content_hash, joints, packaged, read_catalogue
from examtally.contracts.catalogue.clinical import Catalogue
from examtally.contracts.yamlfile import Node, from_data, load_yaml

EXTENDS = "extends"
_MOST_NAMED = 8


@dataclass(frozen=True)
class Kept:
    """Which catalogue something was made under: its joint and hash; `local` is the content of a group's own."""

    joint: str
    hash: str
    local: str

    @classmethod
    def of(cls, catalogue: Catalogue) -> Kept:
        """What is kept of a catalogue."""
        return cls(catalogue.joint, catalogue.hash, catalogue.local)

    def content(self) -> Mapping[str, object] | None:
        """The whole catalogue as plain data; None where it rests on one of the package that has changed since."""
        if not self.local and self.joint not in joints():
            return None
        node = (
            extended(from_data(json.loads(self.local), "catalogue")) if self.local else load_yaml(packaged(self.joint))
        )
        plain = node.plain()
        return plain if isinstance(plain, dict) and content_hash(node) == self.hash else None


def differences(before: Kept, now: Kept) -> str:
    """Say in one line what `now` has otherwise than `before`: every code no longer declared, then added and changed."""
    was, is_now = before.content(), now.content()
    if was is None or is_now is None:
        return f"the catalogue that comes with examtally is another; sha256 {before.hash[:12]}, then {now.hash[:12]}"
    found: dict[str, list[str]] = {"no longer declared": [], "added": [], "changed": []}
    for name, one, other in _entries(was, is_now):
        found["added" if one is None else "no longer declared" if other is None else "changed"].append(name)
    return "; ".join(f"{how}: {_named(names, how)}" for how, names in found.items() if names)


def _entries(was: Mapping[str, object], is_now: Mapping[str, object]) -> Iterator[tuple[str, object, object]]:
    """Sections that differ, and of sections of codes each code that does: its name, what it was and what it is."""
    for section in dict.fromkeys((*was, *is_now)):
        one, other = was.get(section), is_now.get(section)
        if isinstance(one, Mapping) and isinstance(other, Mapping):
            pairs = [(f"{section}.{code}", one.get(code), other.get(code)) for code in dict.fromkeys((*one, *other))]
        else:
            pairs = [(section, one, other)]
        yield from (pair for pair in pairs if pair[1] != pair[2])


def _named(names: list[str], how: str) -> str:
    """The names; of codes that are gone every one."""
    if how == "no longer declared" or len(names) <= _MOST_NAMED:
        return ", ".join(names)
    return f"{', '.join(names[:_MOST_NAMED])} and {len(names) - _MOST_NAMED} more"


def load_local(file: Path) -> Catalogue:
    """Read and check the catalogue in `file`; ContractError with file, line, path and mend where it is wrong."""
    return from_node(load_yaml(file))


def from_content(content: str) -> Catalogue:
    """The catalogue that `Catalogue.local` holds."""
    return from_node(from_data(json.loads(content), "catalogue"))


def from_node(own: Node) -> Catalogue:
    """The catalogue of a file that has been read: what it says laid over the joint that it extends."""
    whole = extended(own)
    return read_catalogue(whole, json.dumps(own.plain(), sort_keys=True))


def extended(own: Node) -> Node:
    """What the file says, laid over the catalogue it names in `extends`: mappings key by key, all else as a whole."""
    if not (isinstance(own.content, dict) and EXTENDS in own.content):
        return own
    entries = dict(own.content)
    joint = entries.pop(EXTENDS).text()
    return joined(load_yaml(packaged(joint)), own.holding(entries))


def joined(base: Node, over: Node, whole: Collection[str] = ()) -> Node:
    """`base` with what `over` says instead: mappings are joined key by key, anything else and `whole` is replaced."""
    if not (isinstance(base.content, dict) and isinstance(over.content, dict)):
        return over
    entries = dict(base.content)
    for key, node in over.content.items():
        entries[key] = joined(entries[key], node) if key in entries and key not in whole else node
    return over.holding(entries)

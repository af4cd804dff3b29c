"""A group's own catalogue: a joint that comes with the package and what the group adds to it, or a joint of its own."""

from __future__ import annotations

import json
from collections.abc import Collection
from pathlib import Path

from examtally.contracts.catalogue.catalogue import packaged, read_catalogue
from examtally.contracts.catalogue.clinical import Catalogue
from examtally.contracts.yamlfile import Node, from_data, load_yaml

EXTENDS = "extends"


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

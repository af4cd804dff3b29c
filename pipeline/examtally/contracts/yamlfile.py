"""Declared files (YAML) read strictly: line numbers kept, every fault one line with file, line, path and mend.

`load_yaml(path)` returns the top `Node`. A node is asked for what it ought to be, and raises when it is not:

    top = load_yaml(path).record(required=("title", "conditions"), optional=("notes",))   # dict of nodes, closed keys
    for code, node in top["conditions"].table("a condition code").items():                # dict of nodes, free keys
        node.record(required=("name",))["name"].text()
    node.code("a phase", PHASES)   node.codes("a sign", SIGNS)                 # one, or a list, of a legal set
    node.items()   node.texts()   node.integer(0, 5)   node.number(0, 1)   node.flag()   node.plain()
    raise node.fail("'x' is not a phase", "use one of look, feel")             # any other fault

The files are plain data: `true` and `false` are the only booleans (`yes` and `no` stay codes), dates stay text, and
duplicate keys, anchors, aliases and tags are refused.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import yaml

from examtally.contracts.node import CODE, Node
from examtally.errors import ContractError, ExamtallyError

__all__ = ["CODE", "Node", "from_data", "load_yaml"]

_DEEPEST = 20
_LARGEST = 1_000_000  # bytes; the largest declared file of our own has a tenth of it


def load_yaml(path: Path, error: type[ExamtallyError] = ContractError) -> Node:
    """Read one YAML file into a Node; raises `error` with file, line and mend for anything that is not plain data."""
    text = _text(path, error)
    try:
        root = _Loader(text).get_single_node()
    except _RefusedError as fault:
        raise error(f"{path.name}, line {fault.line}: {fault}") from None
    except yaml.MarkedYAMLError as fault:
        line = fault.problem_mark.line + 1 if fault.problem_mark else 1
        raise error(f"{path.name}, line {line}: is not YAML ({fault.problem}); mend the line") from None
    except yaml.YAMLError:
        raise error(f"{path.name}: holds a character that YAML does not allow; remove control characters") from None
    if root is None:
        raise error(f"{path.name}: is empty; fill it in or remove it")
    return _convert(root, Node(None, path.name, root.start_mark.line + 1, "", error))


def _text(path: Path, error: type[ExamtallyError]) -> str:
    """The text of a file of sensible size; a pipe or a device, which may never end, is not opened."""
    try:
        if not path.is_file():
            raise error(f"{path.name}: cannot be read; check that it is a file and not a folder or a pipe")
        if path.stat().st_size > _LARGEST:
            raise error(f"{path.name}: is larger than {_LARGEST // 1_000_000} MB; name a file of settings, not of data")
        return path.read_text(encoding="utf-8")
    except OSError:
        raise error(f"{path.name}: cannot be read; check that the file is there and may be opened") from None
    except UnicodeDecodeError:
        raise error(f"{path.name}: is not UTF-8 text; save it as UTF-8") from None


def from_data(data: Mapping[str, object], name: str, error: type[ExamtallyError] = ContractError) -> Node:
    """Plain Python data as a Node, so that a file and a mapping are checked by the same code; `name` is the file's."""
    return _wrap(data, Node(None, name, None, "", error))


class _RefusedError(Exception):
    """YAML that is well formed and still not plain data."""

    def __init__(self, message: str, mark: yaml.Mark) -> None:
        super().__init__(message)
        self.line = mark.line + 1


class _Loader(yaml.SafeLoader):
    """SafeLoader without anchors, aliases, tags, dates, yes/no booleans and odd numbers."""

    yaml_implicit_resolvers: dict[str, list[tuple[str, re.Pattern[str]]]] = {}  # noqa: RUF012  (PyYAML's own class table)
    _depth = 0

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        event = self.peek_event()  # type: ignore[no-untyped-call]  # the stubs leave the parser untyped
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None) is not None:
            raise _RefusedError("anchors and aliases are refused; write the value out", event.start_mark)
        if getattr(event, "tag", None) is not None:
            raise _RefusedError("tags are refused; remove the '!' and its name", event.start_mark)
        if self._depth >= _DEEPEST:
            raise _RefusedError("is nested too deeply; close the brackets", event.start_mark)
        self._depth += 1
        node = super().compose_node(parent, index)
        self._depth -= 1
        return node


for _tag, _form, _first in (
    ("bool", r"true|false", "tf"),
    ("null", r"~|null|", ["~", "n", ""]),
    ("int", r"[-+]?(0|[1-9][0-9]{0,17})", "-+0123456789"),
    ("float", r"[-+]?[0-9]+(\.[0-9]+([eE][-+]?[0-9]+)?|[eE][-+]?[0-9]+)", "-+0123456789"),
):
    _Loader.add_implicit_resolver(f"tag:yaml.org,2002:{_tag}", re.compile(rf"^(?:{_form})$"), list(_first))


def _convert(node: yaml.Node, place: Node) -> Node:
    """A composed YAML node as a Node standing at `place`."""
    if isinstance(node, yaml.MappingNode):
        entries: dict[str, Node] = {}
        for key_node, value_node in node.value:
            line = key_node.start_mark.line + 1
            if not isinstance(key_node, yaml.ScalarNode) or not key_node.value:
                raise place.child("", line).fail("a key is not a word", "write a name before the colon")
            child = place.child(key_node.value, line)
            if key_node.value in entries:
                raise child.fail(f"the key '{key_node.value}' stands twice", "keep one of them")
            entries[key_node.value] = _convert(value_node, child)
        return place.holding(entries)
    if isinstance(node, yaml.SequenceNode):
        places = [place.child(index, item.start_mark.line + 1) for index, item in enumerate(node.value)]
        return place.holding(tuple(_convert(item, child) for item, child in zip(node.value, places, strict=True)))
    return place.holding(_Loader("").construct_object(node))


def _wrap(data: object, place: Node) -> Node:
    """Plain Python data as a Node standing at `place`."""
    if isinstance(data, Mapping):
        return place.holding({str(key): _wrap(value, place.child(str(key), None)) for key, value in data.items()})
    if isinstance(data, list | tuple):
        return place.holding(tuple(_wrap(value, place.child(index, None)) for index, value in enumerate(data)))
    if data is None or isinstance(data, str | bool | int | float):
        return place.holding(data)
    raise place.fail("is not plain data", "use text, numbers, true, false, lists and mappings")

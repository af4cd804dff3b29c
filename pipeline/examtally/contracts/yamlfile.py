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
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeAlias, TypeVar

import yaml

from examtally.contracts.checks import (
    A_LIST,
    A_MAPPING,
    CODE,
    Fault,
    check_code,
    check_flag,
    check_integer,
    check_number,
    check_text,
    kind_of,
    nearest,
)
from examtally.errors import ContractError, ExamtallyError

Scalar: TypeAlias = str | int | float | bool | None

_LONGEST_SHOWN = 200
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Node:
    """One value of a declared file and the place it stands; `content` is a scalar, a dict or a tuple of nodes.

    Every method below returns the value as the wanted kind or raises the file's error. `line` is None for data that
    did not come from a file.
    """

    content: Scalar | dict[str, Node] | tuple[Node, ...]
    file: str
    line: int | None
    path: str
    error: type[ExamtallyError] = ContractError

    def fail(self, problem: str, mend: str) -> ExamtallyError:
        """The error to raise about this node: `file, line, path: problem; mend`."""
        place = [self.file, f"line {self.line}" if self.line else "", self.path]
        shown = (one_line(part) for part in place if part)
        fault = self.error(f"{', '.join(shown)}: {one_line(problem)}; {mend}")
        fault.place = self.path
        return fault

    def record(self, required: Collection[str] = (), optional: Collection[str] = ()) -> dict[str, Node]:
        """A mapping with exactly these keys; every required key is there, any other key is refused."""
        entries = self._mapping()
        known = [*required, *optional]
        for key, node in entries.items():
            if key not in known:
                raise node.fail(f"unknown key '{key}'", nearest(key, known))
        for key in required:
            if key not in entries:
                raise self.fail(f"'{key}' is missing", f"add the key '{key}'")
        return entries

    def table(self, what: str = "a code", pattern: str = CODE) -> dict[str, Node]:
        """A mapping whose keys are the file's own names; each key matches `pattern` in full."""
        entries = self._mapping()
        for key, node in entries.items():
            if not re.fullmatch(pattern, key):
                raise node.fail(f"'{key}' cannot be {what}", f"use a name that matches {pattern}")
        return entries

    def at(self, *keys: str) -> Node:
        """The node that lies below along these keys, whatever other keys there are."""
        node = self
        for key in keys:
            entries = node._mapping()
            if key not in entries:
                raise node.fail(f"'{key}' is missing", f"add the key '{key}'")
            node = entries[key]
        return node

    def nearest(self, path: tuple[str | int, ...]) -> Node:
        """The node at the end of `path`, or the last there is on the way; one entry may stand for a list of one."""
        node = self
        for step in path:
            if isinstance(step, int) and isinstance(node.content, dict):
                continue
            below: Node | None = None
            if isinstance(node.content, dict) and isinstance(step, str):
                below = node.content.get(step)
            elif isinstance(node.content, tuple) and isinstance(step, int) and step < len(node.content):
                below = node.content[step]
            if below is None:
                return node
            node = below
        return node

    def has(self, *path: str) -> bool:
        """Whether the file gives this key."""
        node = self.nearest(path)
        return node.path == self.child(".".join(path), None).path

    def keys(self, *path: str) -> tuple[str, ...]:
        """The keys that the file gives there, legal or not."""
        content = self.nearest(path).content if self.has(*path) else None
        return tuple(content) if isinstance(content, dict) else ()

    def items(self) -> tuple[Node, ...]:
        """A list, as nodes."""
        if not isinstance(self.content, tuple):
            raise self.fail(f"is {kind_of(self.content)}, not a list", A_LIST)
        return self.content

    def text(self, pattern: str | None = None) -> str:
        """Text that is not blank, stripped; with `pattern`, matching it in full."""
        return self._checked(check_text, pattern)

    def texts(self, pattern: str | None = None) -> tuple[str, ...]:
        """A list of texts, none twice."""
        return self._distinct([(node, node.text(pattern)) for node in self.items()])

    def code(self, what: str, legal: Collection[str]) -> str:
        """One code of a legal set; `what` names its kind with the article ("a phase")."""
        return self._checked(check_code, what, legal)

    def codes(self, what: str, legal: Collection[str]) -> tuple[str, ...]:
        """A list of codes of a legal set, none twice."""
        return self._distinct([(node, node.code(what, legal)) for node in self.items()])

    def integer(self, low: int | None = None, high: int | None = None) -> int:
        """A whole number within low..high, both inclusive."""
        return self._checked(check_integer, low, high)

    def number(self, low: float | None = None, high: float | None = None) -> float:
        """A finite number within low..high, both inclusive."""
        return self._checked(check_number, low, high)

    def flag(self) -> bool:
        """true or false."""
        return self._checked(check_flag)

    def plain(self) -> object:
        """The value as plain dicts, lists and scalars, unchecked; keys are text."""
        if isinstance(self.content, dict):
            return {key: node.plain() for key, node in self.content.items()}
        return [node.plain() for node in self.content] if isinstance(self.content, tuple) else self.content

    def _mapping(self) -> dict[str, Node]:
        if not isinstance(self.content, dict):
            raise self.fail(f"is {kind_of(self.content)}, not a mapping", A_MAPPING)
        return dict(self.content)

    def _distinct(self, pairs: list[tuple[Node, str]]) -> tuple[str, ...]:
        seen: dict[str, None] = {}
        for node, text in pairs:
            if text in seen:
                raise node.fail(f"'{text}' stands twice", "keep it once")
            seen[text] = None
        return tuple(seen)

    def _checked(self, check: Callable[..., T], *rule: Any) -> T:
        try:
            return check(self.content, *rule)
        except Fault as fault:
            raise self.fail(fault.problem, fault.mend) from None

    def child(self, key: str | int, line: int | None) -> Node:
        """An empty node one step below this one: the place of a value still to be read."""
        step = f"[{key}]" if isinstance(key, int) else f".{key}" if self.path and key else key
        return replace(self, content=None, line=line, path=self.path + step)

    def holding(self, content: Scalar | dict[str, Node] | tuple[Node, ...]) -> Node:
        """This place with its value."""
        return replace(self, content=content)


Found: TypeAlias = tuple[Node, Fault]
"""A fault and the place it is at."""


def one_line(text: str) -> str:
    """`text` as a terminal may show it: one line of printable characters, cut where it is very long."""
    line = "".join(sign if sign.isprintable() else "?" for sign in text)
    return line if len(line) <= _LONGEST_SHOWN else f"{line[:_LONGEST_SHOWN]}…"


_DEEPEST = 20
_LARGEST = 1_000_000  # bytes; the largest declared file of our own has a tenth of it


def load_yaml(path: Path, error: type[ExamtallyError] = ContractError, found: list[Found] | None = None) -> Node:
    """Read one YAML file into a Node; raises `error` with file, line and mend for anything that is not plain data.

    With `found`, keys that stand twice or are no words are put there instead of being raised.
    """
    text = _text(path, error)
    try:
        root = _Loader(text).get_single_node()
    except _RefusedError as fault:
        raise error(f"{path.name}, line {fault.line}: {fault}") from None
    except yaml.MarkedYAMLError as fault:
        line = fault.problem_mark.line + 1 if fault.problem_mark else 1
        if "nesting depth" in str(fault.problem):
            raise error(f"{path.name}, line {line}: is nested too deeply; close the brackets") from None
        raise error(
            f"{path.name}, line {line}: is not YAML ({fault.problem}); mend the line or the one above: "
            "words with a colon stand in quotes, indents are spaces, and no {} stands before lines of its own"
        ) from None
    except yaml.YAMLError:
        raise error(f"{path.name}: holds a character that YAML does not allow; remove control characters") from None
    if root is None:
        raise error(f"{path.name}: is empty; fill it in or remove it")
    faults: list[Found] = []
    top = _convert(root, Node(None, path.name, root.start_mark.line + 1, "", error), faults)
    if found is not None:
        found.extend(faults)
    elif faults:
        node, first = faults[0]
        raise node.fail(first.problem, first.mend)
    return top


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


_Fastest: type[yaml.SafeLoader] = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class _Loader(yaml.composer.Composer, _Fastest):  # type: ignore[valid-type, misc]  # the fastest there is here
    """SafeLoader without anchors, aliases, tags, dates, yes/no booleans and odd numbers.

    Where PyYAML brings libyaml its parser reads the text, four times as fast; what is composed of it is the same.
    """

    yaml_implicit_resolvers: dict[str, list[tuple[str, re.Pattern[str]]]] = {}  # noqa: RUF012  (PyYAML's own class table)
    _depth = 0

    def __init__(self, text: str) -> None:
        super().__init__()
        super(yaml.composer.Composer, self).__init__(text)

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        event = self.peek_event()
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


def _convert(node: yaml.Node, place: Node, found: list[Found]) -> Node:
    """A composed YAML node as a Node standing at `place`; keys that cannot be kept are put into `found`."""
    if isinstance(node, yaml.MappingNode):
        entries: dict[str, Node] = {}
        for key_node, value_node in node.value:
            line = key_node.start_mark.line + 1
            if not isinstance(key_node, yaml.ScalarNode) or not key_node.value:
                found.append((place.child("", line), Fault("a key is not a word", "write a name before the colon")))
                continue
            child = place.child(key_node.value, line)
            if key_node.value in entries:
                found.append((child, Fault(f"the key '{key_node.value}' stands twice", "keep one of them")))
                continue
            entries[key_node.value] = _convert(value_node, child, found)
        return place.holding(entries)
    if isinstance(node, yaml.SequenceNode):
        places = [place.child(index, item.start_mark.line + 1) for index, item in enumerate(node.value)]
        return place.holding(tuple(_convert(item, at, found) for item, at in zip(node.value, places, strict=True)))
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

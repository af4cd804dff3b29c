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
    faults: list[Found] = []
    try:
        top = _Reader(text, path.name, error, faults).top()
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
    if top is None:
        raise error(f"{path.name}: is empty; fill it in or remove it")
    if found is not None:
        found.extend(faults)
    elif faults:
        node, first = faults[0]
        raise node.fail(first.problem, first.mend)
    return top


def _text(path: Path, error: type[ExamtallyError]) -> str:
    """The text of a file of sensible size; a pipe or a device, which may never end, is not opened."""
    try:
        if not path.exists():
            raise error(f"{path.name}: there is no such file; check its name and the folder you are in")
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
"""Where PyYAML brings libyaml its parser reads the text, four times as fast."""
_WORDS: Mapping[str, bool | None] = {"true": True, "false": False, "null": None, "~": None, "": None}
_WHOLE = re.compile(r"[-+]?(0|[1-9][0-9]{0,17})")
_DECIMAL = re.compile(r"[-+]?[0-9]+(\.[0-9]+([eE][-+]?[0-9]+)?|[eE][-+]?[0-9]+)")


class _Reader:
    """Makes Nodes of the events of a parser: no anchors, aliases, tags, dates, yes/no booleans and odd numbers.

    Keys that cannot be kept are put into `found`.
    """

    def __init__(self, text: str, file: str, error: type[ExamtallyError], found: list[Found]) -> None:
        self._parser: Any = _Fastest(text)
        self._file, self._error, self._found = file, error, found
        self._depth = 0

    def top(self) -> Node | None:
        """The only document, None where there is none."""
        self._next(), self._next()
        event = self._parser.peek_event()
        if event is None or isinstance(event, yaml.StreamEndEvent):
            return None
        node = self._node(self._next(), "", event.start_mark.line + 1)
        self._next()
        after = self._parser.peek_event()
        if not isinstance(after, yaml.StreamEndEvent):
            raise yaml.composer.ComposerError(None, None, "but found another document", after.start_mark)
        return node

    def _next(self) -> Any:
        event = self._parser.get_event()
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None) is not None:
            raise _RefusedError("anchors and aliases are refused; write the value out", event.start_mark)
        if getattr(event, "tag", None) is not None:
            raise _RefusedError("tags are refused; remove the '!' and its name", event.start_mark)
        return event

    def _node(self, event: Any, path: str, line: int) -> Node:
        if isinstance(event, yaml.ScalarEvent):
            content: Any = _plain(event.value) if event.implicit[0] else event.value
            return Node(content, self._file, line, path, self._error)
        if self._depth >= _DEEPEST:
            raise _RefusedError("is nested too deeply; close the brackets", event.start_mark)
        self._depth += 1
        is_mapping = isinstance(event, yaml.MappingStartEvent)
        content = self._entries(path) if is_mapping else self._items(path)
        self._depth -= 1
        return Node(content, self._file, line, path, self._error)

    def _entries(self, path: str) -> dict[str, Node]:
        entries: dict[str, Node] = {}
        while not isinstance(key := self._next(), yaml.MappingEndEvent):
            line = key.start_mark.line + 1
            name = key.value if isinstance(key, yaml.ScalarEvent) else ""
            below = f"{path}.{name}" if path and name else name or path
            if not name:
                if not isinstance(key, yaml.ScalarEvent):
                    self._node(key, path, line)
                self._refuse(below, line, "a key is not a word", "write a name before the colon")
            elif name in entries:
                self._refuse(below, line, f"the key '{name}' stands twice", "keep one of them")
            node = self._node(self._next(), below, line)
            if name:
                entries.setdefault(name, node)
        return entries

    def _refuse(self, path: str, line: int, problem: str, mend: str) -> None:
        self._found.append((Node(None, self._file, line, path, self._error), Fault(problem, mend)))

    def _items(self, path: str) -> tuple[Node, ...]:
        items: list[Node] = []
        while not isinstance(event := self._next(), yaml.SequenceEndEvent):
            items.append(self._node(event, f"{path}[{len(items)}]", event.start_mark.line + 1))
        return tuple(items)


def _plain(text: str) -> Scalar:
    """What an unquoted word says."""
    if text in _WORDS:
        return _WORDS[text]
    if text[0] in "-+0123456789":
        if _WHOLE.fullmatch(text):
            return int(text)
        if _DECIMAL.fullmatch(text):
            return float(text)
    return text


def _wrap(data: object, place: Node) -> Node:
    """Plain Python data as a Node standing at `place`."""
    if isinstance(data, Mapping):
        return place.holding({str(key): _wrap(value, place.child(str(key), None)) for key, value in data.items()})
    if isinstance(data, list | tuple):
        return place.holding(tuple(_wrap(value, place.child(index, None)) for index, value in enumerate(data)))
    if data is None or isinstance(data, str | bool | int | float):
        return place.holding(data)
    raise place.fail("is not plain data", "use text, numbers, true, false, lists and mappings")

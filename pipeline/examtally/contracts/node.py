"""One value of a declared file that knows where it stands, and refuses to be what it is not."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import TypeAlias

from examtally.errors import ContractError, ExamtallyError

Scalar: TypeAlias = str | int | float | bool | None

CODE = r"[a-z][a-z0-9]*(_[a-z0-9]+)*"
_LONGEST_SHOWN = 200
_KINDS = {
    dict: "a mapping",
    tuple: "a list",
    str: "text",
    bool: "true or false",
    int: "a whole number",
    float: "a number",
}


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
        shown = (_one_line(part) for part in place if part)
        return self.error(f"{', '.join(shown)}: {_one_line(problem)}; {mend}")

    def record(self, required: Collection[str] = (), optional: Collection[str] = ()) -> dict[str, Node]:
        """A mapping with exactly these keys; every required key is there, any other key is refused."""
        entries = self._mapping()
        known = [*required, *optional]
        for key, node in entries.items():
            if key not in known:
                raise node.fail(f"unknown key '{key}'", _nearest(key, known))
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

    def items(self) -> tuple[Node, ...]:
        """A list, as nodes."""
        if not isinstance(self.content, tuple):
            raise self.fail(f"is {self._kind()}, not a list", "write it as [a, b] or as lines that begin with '- '")
        return self.content

    def text(self, pattern: str | None = None) -> str:
        """Text that is not blank, stripped; with `pattern`, matching it in full."""
        if not isinstance(self.content, str):
            raise self.fail(f"is {self._kind()}, not text", "write text; put numbers, true and false in quotes")
        text = self.content.strip()
        if not text:
            raise self.fail("is blank", "write some text")
        if pattern is not None and not re.fullmatch(pattern, text):
            raise self.fail(f"'{text}' has the wrong form", f"use text that matches {pattern}")
        return text

    def texts(self, pattern: str | None = None) -> tuple[str, ...]:
        """A list of texts, none twice."""
        return self._distinct([(node, node.text(pattern)) for node in self.items()])

    def code(self, what: str, legal: Collection[str]) -> str:
        """One code of a legal set; `what` names its kind with the article ("a phase")."""
        code = self.text()
        if code not in legal:
            raise self.fail(f"'{code}' is not {what}", f"use one of {', '.join(legal)}")
        return code

    def codes(self, what: str, legal: Collection[str]) -> tuple[str, ...]:
        """A list of codes of a legal set, none twice."""
        return self._distinct([(node, node.code(what, legal)) for node in self.items()])

    def integer(self, low: int | None = None, high: int | None = None) -> int:
        """A whole number within low..high, both inclusive."""
        if isinstance(self.content, bool) or not isinstance(self.content, int):
            raise self.fail(f"is {self._kind()}, not a whole number", f"write a whole number{_span(low, high)}")
        self._within(self.content, low, high)
        return self.content

    def number(self, low: float | None = None, high: float | None = None) -> float:
        """A finite number within low..high, both inclusive."""
        if isinstance(self.content, bool) or not isinstance(self.content, int | float):
            raise self.fail(f"is {self._kind()}, not a number", f"write a number{_span(low, high)}")
        if not math.isfinite(self.content):
            raise self.fail("is not a finite number", f"write a number{_span(low, high)}")
        self._within(self.content, low, high)
        return float(self.content)

    def flag(self) -> bool:
        """true or false."""
        if not isinstance(self.content, bool):
            raise self.fail(f"is {self._kind()}, not true or false", "write true or false, without quotes")
        return self.content

    def plain(self) -> object:
        """The value as plain dicts, lists and scalars, unchecked; keys are text."""
        if isinstance(self.content, dict):
            return {key: node.plain() for key, node in self.content.items()}
        return [node.plain() for node in self.content] if isinstance(self.content, tuple) else self.content

    def _mapping(self) -> dict[str, Node]:
        if not isinstance(self.content, dict):
            raise self.fail(f"is {self._kind()}, not a mapping", "write it as lines of 'key: value'")
        return dict(self.content)

    def _kind(self) -> str:
        return "empty" if self.content is None else _KINDS[type(self.content)]

    def _distinct(self, pairs: list[tuple[Node, str]]) -> tuple[str, ...]:
        seen: dict[str, None] = {}
        for node, text in pairs:
            if text in seen:
                raise node.fail(f"'{text}' stands twice", "keep it once")
            seen[text] = None
        return tuple(seen)

    def _within(self, value: float, low: float | None, high: float | None) -> None:
        if (low is not None and value < low) or (high is not None and value > high):
            raise self.fail(f"{value} is out of range", f"write a number{_span(low, high)}")

    def child(self, key: str | int, line: int | None) -> Node:
        """An empty node one step below this one: the place of a value still to be read."""
        step = f"[{key}]" if isinstance(key, int) else f".{key}" if self.path and key else key
        return replace(self, content=None, line=line, path=self.path + step)

    def holding(self, content: Scalar | dict[str, Node] | tuple[Node, ...]) -> Node:
        """This place with its value."""
        return replace(self, content=content)


def _one_line(text: str) -> str:
    """`text` as a terminal may show it: one line of printable characters, cut where it is very long."""
    line = "".join(sign if sign.isprintable() else "?" for sign in text)
    return line if len(line) <= _LONGEST_SHOWN else f"{line[:_LONGEST_SHOWN]}…"


def _nearest(key: str, known: Collection[str]) -> str:
    near = difflib.get_close_matches(key, known, n=1)
    return f"did you mean '{near[0]}'?" if near else f"use one of {', '.join(known)}"


def _span(low: float | None, high: float | None) -> str:
    if low is None and high is None:
        return ""
    if low is None or high is None:
        return f" of at least {low}" if low is not None else f" of at most {high}"
    return f" from {low} to {high}"

"""Checks of plain data: each returns the value or raises Fault with what is wrong and how to mend it."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Collection
from typing import Any

from examtally.words import MARKUP

CODE = r"[a-z][a-z0-9]*(_[a-z0-9]+)*"
A_LIST = "write it as [a, b] or as lines that begin with '- '"
A_MAPPING = "write it as lines of 'key: value'"
_KINDS = {
    dict: "a mapping",
    tuple: "a list",
    str: "text",
    bool: "true or false",
    int: "a whole number",
    list: "a list",
    float: "a number",
}


class Fault(Exception):
    """What is wrong with a value and how to mend it; `at` leads from that value to the part that is meant."""

    def __init__(self, problem: str, mend: str, *at: str | int) -> None:
        super().__init__(problem)
        self.problem, self.mend, self.at = problem, mend, at


def nearest(word: str, legal: Collection[str]) -> str:
    """The mend for a word that is not legal: the one it is most like, and the legal set."""
    near = close(word, legal)
    listed = f"use one of {', '.join(legal)}" if legal else "there is none to use"
    return f"did you mean '{near[0]}'? {listed}" if near else listed


def close(word: str, legal: Collection[str]) -> list[str]:
    """The legal word that a word is most like; none where it is like none."""
    return difflib.get_close_matches(word, legal, n=1)


def kind_of(content: object) -> str:
    """What a value is, in words."""
    return "empty" if content is None else _KINDS[type(content)]


def check_text(content: object, pattern: str | None = None, *at: str | int) -> str:
    """`content` as text that is not blank, stripped; with `pattern`, matching it in full.

    Raises Fault, as all below; `at` leads to the content from where the fault is caught.
    """
    if not isinstance(content, str):
        raise Fault(f"is {kind_of(content)}, not text", "write text; put numbers, true and false in quotes", *at)
    text = content.strip()
    if not text:
        raise Fault("is blank", "write some text", *at)
    if pattern is not None and not re.fullmatch(pattern, text):
        raise Fault(f"'{text}' has the wrong form", f"use text that matches {pattern}", *at)
    return text


def check_words(text: str, *at: str | int) -> str:
    """`text` as words that stand within sentences of a report: they hold no sign of markup."""
    signs = "".join(sorted(MARKUP.intersection(text)))
    if signs:
        raise Fault(f"holds {signs}, which is markup in a report", "write words; for <= write 'at most'", *at)
    return text


def check_code(content: object, what: str, legal: Collection[str], *at: str | int) -> str:
    """`content` as one code of a legal set; `what` names its kind with the article."""
    code = check_text(content, None, *at)
    if code not in legal:
        raise Fault(f"'{code}' is not {what}", nearest(code, legal), *at)
    return code


def check_integer(content: object, low: int | None = None, high: int | None = None, *at: str | int) -> int:
    """`content` as a whole number within low..high, both inclusive."""
    if isinstance(content, bool) or not isinstance(content, int):
        raise Fault(f"is {kind_of(content)}, not a whole number", f"write a whole number{_span(low, high)}", *at)
    _within(content, low, high, *at)
    return content


def check_number(content: object, low: float | None = None, high: float | None = None, *at: str | int) -> float:
    """`content` as a finite number within low..high, both inclusive."""
    if isinstance(content, bool) or not isinstance(content, int | float):
        raise Fault(f"is {kind_of(content)}, not a number", f"write a number{_span(low, high)}", *at)
    if not math.isfinite(content):
        raise Fault("is not a finite number", f"write a number{_span(low, high)}", *at)
    _within(content, low, high, *at)
    return float(content)


def check_flag(content: object) -> bool:
    """`content` as true or false."""
    if not isinstance(content, bool):
        raise Fault(f"is {kind_of(content)}, not true or false", "write true or false, without quotes")
    return content


def check_list(content: object, *at: str | int) -> list[Any]:
    """`content` as a list."""
    if not isinstance(content, list):
        raise Fault(f"is {kind_of(content)}, not a list", A_LIST, *at)
    return content


def _within(value: float, low: float | None, high: float | None, *at: str | int) -> None:
    if (low is not None and value < low) or (high is not None and value > high):
        raise Fault(f"{value} is out of range", f"write a number{_span(low, high)}", *at)


def _span(low: float | None, high: float | None) -> str:
    if low is None and high is None:
        return ""
    if low is None or high is None:
        return f" of at least {low}" if low is not None else f" of at most {high}"
    return f" from {low} to {high}"

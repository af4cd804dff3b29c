"""What the executor knows of Quarto's syntax. Anything else is refused with file and line."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import yaml

from examtally.errors import ReportError

FRONT = frozenset(
    {"title", "subtitle", "lang", "author", "date", "bibliography", "csl", "nocite", "format", "jupyter"}
    | {"toc", "toc-depth", "number-sections", "card"}
)
"""Keys of a front matter that both renderers set alike; `card` is of the house: one sheet of paper."""

_OPTIONS = frozenset({"output", "include", "eval", "label", "tbl-cap", "fig-cap", "tags"})
_QUIET = ("echo", "warning", "error", "message")  # of a cell that shows what it prints, and nothing else
_CALLOUTS = ("note", "tip", "warning", "caution", "important")
_FENCE = re.compile(r"^(`{3,}|~{3,})\s*(\{?)\s*([^\s}]*)")
_SHORTCODE = re.compile(r"\{\{<\s*(\S+).*?>\}\}")
_CLASS = re.compile(r"\.([A-Za-z][\w-]*)")
_ATTRIBUTE = re.compile(r"([\w-]+)=")
_REFERENCE = re.compile(r"(?<![\w`\\])@([a-z]{2,4})-[\w-]+")
_FOREIGN_CLASS = re.compile(
    r"column-.+|content-(visible|hidden)|aside|panel-(?!tabset$).+|layout.*|quarto-.+|cell.*|theorem|proof|hidden"
    r"|incremental|nonincremental|notes|fragment|landscape|r-.+"
)
_KNOWN_ATTRIBUTES = frozenset({"alt", "fig-alt", "tbl-cap", "fig-cap", "download", "icon", "appearance", "title"})
_OTHER_REFERENCES = frozenset(
    {"sec", "eq", "lst", "thm", "lem", "cor", "prp", "cnj", "def", "exm", "exr", "sol", "rem", "alg", "vid", "nte"}
    | {"tip", "wrn", "imp", "cau", "suppl"}
)


def refuse(file: str, line: int, what: str) -> ReportError:
    """What is said of a place that the executor cannot set as Quarto would."""
    return ReportError(f"{file}, line {line}: {what}; the executor does not know it, so use Quarto or leave it out")


def check_front(file: str, text: str, front: dict[str, Any]) -> None:
    """Raise ReportError at the first key of a front matter (its `text` begins on line 2) that only Quarto knows."""
    for key in front:
        if key not in FRONT:
            place = re.search(rf"^{re.escape(str(key))}\s*:", text, re.M)
            line = 2 + text.count("\n", 0, place.start()) if place else 2
            raise refuse(file, line, f"the key '{key}' in the front matter")


def cell_options(file: str, line: int, code: str) -> dict[str, Any]:
    """The options of a cell whose code begins on `line`; raises ReportError for one that is not known here."""
    given = [text[2:] for text in code.splitlines() if text.startswith("#|")]
    try:
        options = yaml.safe_load("\n".join(given)) or {}
    except yaml.YAMLError as error:
        raise ReportError(f"{file}, line {line}: the options of this cell are not YAML 'key: value' lines") from error
    if not isinstance(options, dict):
        raise ReportError(f"{file}, line {line}: the options of this cell are not YAML 'key: value' lines")
    for place, (key, value) in enumerate(options.items()):
        known = key in _OPTIONS or (key in _QUIET and value is not True) or key == "warning"
        legal = {"output": ("asis", False), "include": (False,), "eval": (True, False)}.get(key)
        if not known or (legal is not None and value not in legal):
            raise refuse(file, line + place, f"the cell option '{key}: {_yaml(value)}'")
    is_parameters = "parameters" in (options.get("tags") or ())
    if options.get("output") is None and options.get("include") is None and not is_parameters:
        raise ReportError(
            f"{file}, line {line}: a cell prints Markdown and says so: begin it with '#| output: asis' "
            "(or '#| include: false' where it prints nothing)"
        )
    return options


def check_prose(file: str, first: int, text: str) -> None:
    """Raise ReportError at the first line of prose, which begins on line `first`, that only Quarto can set."""
    for line, words in _outside_code(file, first, text):
        for match in _SHORTCODE.finditer(words):
            if match.group(1) != "meta":
                raise refuse(file, line, f"the shortcode '{match.group(1)}'")
        for match in _REFERENCE.finditer(words):
            if match.group(1) in _OTHER_REFERENCES:
                raise refuse(file, line, f"the reference '{match.group()}' (tables and figures are referred to)")
        if words.lstrip().startswith(":::"):
            _check_div(file, line, words)


def _check_div(file: str, line: int, words: str) -> None:
    """Hold the classes and attributes of a div's opening line to those that mean the same here."""
    bare = re.fullmatch(r"\s*:{3,}\s*([\w-]+)\s*:*\s*", words)
    classes = [bare.group(1)] if bare else _CLASS.findall(re.sub(r'"[^"]*"', '""', words))
    for name in classes:
        if _FOREIGN_CLASS.fullmatch(name):
            raise refuse(file, line, f"a div of the class '{name}'")
        if name.startswith("callout-") and name.removeprefix("callout-") not in _CALLOUTS:
            raise refuse(file, line, f"the callout '{name}' (there are {', '.join(_CALLOUTS)})")
    for name in _ATTRIBUTE.findall(re.sub(r'"[^"]*"', '""', words)):
        if name not in _KNOWN_ATTRIBUTES:
            raise refuse(file, line, f"the attribute '{name}' of a div")


def _outside_code(file: str, first: int, text: str) -> Iterator[tuple[int, str]]:
    """The lines that are no code block, numbered, inline code blanked; a block of another engine is refused."""
    fence = ""
    for line, words in enumerate(text.splitlines(), first):
        match = _FENCE.match(words)
        if fence:
            fence = "" if words.rstrip() == fence else fence
        elif match:
            fence = match.group(1)
            if match.group(2) and not match.group(3).startswith(("=", ".", "#")):
                raise refuse(file, line, f"a cell of '{match.group(3)}'")
        else:
            yield line, re.sub(r"(`+)[^`].*?\1", "", words)


def _yaml(value: object) -> str:
    return yaml.safe_dump(value, default_flow_style=True).splitlines()[0]

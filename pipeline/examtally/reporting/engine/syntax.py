"""What the executor knows of Quarto's syntax. Anything else is refused with file and line."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import takewhile
from typing import Any

import yaml

from examtally.errors import ReportError

FRONT = frozenset(
    {"title", "subtitle", "lang", "author", "date", "bibliography", "csl", "nocite", "format", "jupyter"}
    | {"toc", "toc-depth", "number-sections", "card"}
)
"""Keys of a front matter that both renderers set alike; `card` is of the house: one sheet of paper."""

FORMATS = frozenset({"house-html", "house-docx", "house-typst"})
"""The formats that a front matter and the project may name."""

PROJECT = frozenset({"project", "profile", "lang", "bibliography", "jupyter", "execute", "format", "website"})
"""Keys of `_quarto.yml` that a page by itself follows, or that say nothing of it."""

_OF_A_FORMAT = frozenset({"toc", "toc-depth", "number-sections", "csl", "css", "theme", "minimal", "embed-resources"})
_EXECUTE = frozenset({"echo", "warning", "daemon", "freeze", "cache"})
_DATES = frozenset({"today", "now", "last-modified"})
_OPTIONS = frozenset({"output", "include", "eval", "label", "tbl-cap", "fig-cap", "tags"})
_QUIET = ("echo", "warning", "error", "message")  # of a cell that shows what it prints, and nothing else
_CALLOUTS = ("note", "tip", "warning", "caution", "important")
_FENCE = re.compile(r"^(`{3,}|~{3,})\s*(\{?)\s*([^\s}]*)")
_SHORTCODE = re.compile(r"\{\{<\s*(\S+).*?>\}\}")
_MATHS = re.compile(r"\$\$|(?<![\\\w$])\$(?=\S)[^$\n]*(?<=[^\s\\])\$(?!\d)")
_MARKED = re.compile(r"\{[^{}<>]*\}")  # classes and attributes of a heading, a picture, a caption, some words
_INDENTED_CELL = re.compile(r"^\s+(`{3,}|~{3,})\s*\{\s*([A-Za-z]\w*)")
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
    """Raise ReportError at the first thing in a front matter (its `text` begins on line 2) that only Quarto knows."""
    for key, value in front.items():
        line = 1 + _line(text, key)
        if key not in FRONT:
            raise refuse(file, line, f"the key '{key}' in the front matter")
        if "{{<" in str(value) or "`{" in str(value):
            raise refuse(file, line, f"a shortcode or code in the '{key}' of the front matter")
        if (key == "date" and value in _DATES) or (key == "author" and "{" in _yaml(value)):
            raise refuse(file, line, f"the {key} '{_yaml(value)}'")
    _check_formats(file, text, front.get("format", {}), 1)


def check_project(file: str, text: str, project: dict[str, Any]) -> None:
    """Raise ReportError at the first thing in `_quarto.yml` that only Quarto knows."""
    for key in project:
        if key not in PROJECT:
            raise refuse(file, _line(text, key), f"the key '{key}' of the project")
    execute = project.get("execute") or {}
    for key in execute.keys() - _EXECUTE:
        raise refuse(file, _line(text, key), f"the key '{key}' of 'execute'")
    if execute.get("echo") is not False:
        raise refuse(file, _line(text, "execute"), "a project whose cells show their code (write 'echo: false')")
    _check_formats(file, text, project.get("format", {}), 0)


def _check_formats(file: str, text: str, formats: object, above: int) -> None:
    if not isinstance(formats, dict):
        raise refuse(file, above + _line(text, "format"), f"the format '{_yaml(formats)}'")
    for name, asked in formats.items():
        if name not in FORMATS:
            known = ", ".join(sorted(FORMATS))
            raise refuse(file, above + _line(text, name), f"the format '{name}' (there are {known})")
        for key in asked if isinstance(asked, dict) else ():
            if key not in _OF_A_FORMAT:
                raise refuse(file, above + _line(text, key), f"the key '{key}' of the format '{name}'")


def _line(text: str, key: object) -> int:
    """The line of YAML on which a key stands; 1 where it is written in another way."""
    place = re.search(rf"^\s*{re.escape(str(key))}\s*:", text, re.M)
    return text.count("\n", 0, place.end()) + 1 if place else 1


def cell_options(file: str, line: int, code: str) -> dict[str, Any]:
    """The options of a cell whose code begins on `line`; raises ReportError for one that is not known here."""
    given = [text[2:] for text in takewhile(lambda text: text.startswith("#|"), code.splitlines())]
    for place, text in enumerate(code.splitlines()):
        if text.startswith("#|") and (place >= len(given) or not text.startswith("#| ")):
            raise refuse(file, line + place, f"the line '{text}' (options begin a cell, with '#| ')")
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
        if formula := _MATHS.search(words):
            raise refuse(file, line, f"the formula '{formula.group()}'")
        if words.lstrip().startswith(":::"):
            _check_marks(file, line, words, "a div")
        else:
            for match in _MARKED.finditer(words):
                _check_marks(file, line, match.group(), "a text")


def _check_marks(file: str, line: int, words: str, where: str) -> None:
    """Hold the classes and attributes of a div's opening line, or of words, to those that mean the same here."""
    bare = re.fullmatch(r"\s*:{3,}\s*([\w-]+)\s*:*\s*", words)
    classes = [bare.group(1)] if bare else _CLASS.findall(re.sub(r'"[^"]*"', '""', words))
    for name in classes:
        if _FOREIGN_CLASS.fullmatch(name):
            raise refuse(file, line, f"{where} of the class '{name}'")
        if name.startswith("callout-") and name.removeprefix("callout-") not in _CALLOUTS:
            raise refuse(file, line, f"the callout '{name}' (there are {', '.join(_CALLOUTS)})")
    for name in _ATTRIBUTE.findall(re.sub(r'"[^"]*"', '""', words)):
        if name not in _KNOWN_ATTRIBUTES:
            raise refuse(file, line, f"the attribute '{name}' of {where}")


def _outside_code(file: str, first: int, text: str) -> Iterator[tuple[int, str]]:
    """The lines that are no code block, numbered, inline code blanked; a block of another engine is refused."""
    fence = ""
    for line, words in enumerate(text.splitlines(), first):
        match = _FENCE.match(words)
        if fence:
            fence = "" if words.rstrip() == fence else fence
        elif (indented := _INDENTED_CELL.match(words)) is not None:
            raise refuse(file, line, f"an indented cell of '{indented.group(2)}'")
        elif match:
            fence = match.group(1)
            if match.group(2) and not match.group(3).startswith(("=", ".", "#")):
                raise refuse(file, line, f"a cell of '{match.group(3)}'")
        else:
            yield line, re.sub(r"(`+)[^`].*?\1", "", words)


def _yaml(value: object) -> str:
    return yaml.safe_dump(value, default_flow_style=True).splitlines()[0]

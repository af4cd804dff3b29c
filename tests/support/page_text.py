"""A rendered page as its reader sees it: its text with and without tables, and the figures in its tables."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from html.parser import HTMLParser

_SILENT = frozenset({"script", "style", "title", "svg"})
_BREAKS = frozenset(
    {"p", "li", "td", "th", "tr", "caption", "figcaption", "h1", "h2", "h3", "h4", "summary", "br", "div"}
)


@dataclass
class Cell:
    """A cell with what stands large and what stands small beneath."""

    large: str = ""
    small: str = ""
    span: int = 1


@dataclass
class Table:
    """A table: its caption, the headings of its columns (with those over them), and rows with the group above each."""

    caption: str = ""
    heads: list[list[Cell]] = field(default_factory=list)
    rows: list[tuple[str, list[Cell]]] = field(default_factory=list)

    def columns(self) -> list[str]:
        """The words over each column."""
        lines = [[cell.large + " " + cell.small for cell in row for _ in range(cell.span)] for row in self.heads]
        return [" ".join(words) for words in zip(*lines, strict=True)] if lines else []


class Page(HTMLParser):
    """Everything a reader sees: `text`, `prose` without tables, and `tables`."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.outside: list[str] = []
        self.tables: list[Table] = []
        self._silent = self._small = 0
        self._row: list[Cell] = []
        self._place, self._group = "", ""
        self._is_group = False
        self.feed(html)

    @cached_property
    def text(self) -> str:
        """All words."""
        return _even(self.words)

    @cached_property
    def prose(self) -> str:
        """The words outside tables, each block on a line of its own."""
        return "\n".join(filter(None, (_even([line]) for line in "".join(self.outside).split("\n"))))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self._silent += tag in _SILENT
        self._small += tag == "small"
        if tag == "table":
            self.tables.append(Table())
            self._group = ""
        elif tag in ("caption", "thead", "tbody"):
            self._place = tag
        elif tag == "tr":
            self._row, self._is_group = [], given.get("class") == "group"
        elif tag in ("td", "th") and self._place:
            self._row.append(Cell(span=int(given.get("colspan") or 1)))
        self._break(tag)

    def handle_endtag(self, tag: str) -> None:
        self._silent -= tag in _SILENT
        self._small -= tag == "small"
        if tag == "tr" and self._place == "thead":
            self.tables[-1].heads.append(self._row)
        elif tag == "tr" and self._is_group:
            self._group = self._row[0].large
        elif tag == "tr" and self._place == "tbody":
            self.tables[-1].rows.append((self._group, self._row))
        elif tag in ("table", "caption"):
            self._place = ""
        self._break(tag)

    def handle_data(self, data: str) -> None:
        if self._silent > 0:
            return
        self.words.append(data)
        if self._place == "caption":
            self.tables[-1].caption += data
        elif self._place and self._row:
            cell = self._row[-1]
            cell.small, cell.large = (cell.small + data, cell.large) if self._small else (cell.small, cell.large + data)
        elif not self._place:
            self.outside.append(data)

    def _break(self, tag: str) -> None:
        if tag in _BREAKS:
            self.words.append(" ")
            self.outside.append("\n")


@dataclass(frozen=True)
class Figure:
    """One figure in a table: maneuver, measure, what is shown, and every word that stands over or beside it."""

    maneuver: str
    measure: str
    shown: str
    words: str


def figures(page: Page, maneuvers: dict[str, str]) -> Iterator[Figure]:
    """Every sensitivity, specificity and likelihood ratio of a single maneuver; `maneuvers` are codes by name."""
    for table in page.tables:
        columns = table.columns()
        for group, row in table.rows:
            beside = f"{group} | {row[0].large} {row[0].small}"
            found = _maneuver(beside, maneuvers) or _maneuver(table.caption, maneuvers)
            for column, cell in zip(columns[1:], row[1:], strict=False):
                words = f"{table.caption} | {column} | {beside}"
                measure = _measure(column) or _measure(row[0].large)
                number = re.match(r"[<>]?\d+(?:\.\d+)?%?", cell.large.strip())
                if found and measure and number:
                    yield Figure(found, measure, number.group(), words)


def _maneuver(words: str, maneuvers: dict[str, str]) -> str:
    """The code of the one maneuver that is named; empty where none or two are."""
    lower, found = words.lower(), []
    for name in sorted(maneuvers, key=len, reverse=True):
        if name.lower() in lower:
            found.append(maneuvers[name])
            lower = lower.replace(name.lower(), "")
    return found[0] if len(found) == 1 else ""


def _measure(words: str) -> str:
    lower = words.lower()
    if "likelihood ratio" in lower and "positive" in lower:
        return "lr_positive"
    if "likelihood ratio" in lower and "negative" in lower:
        return "lr_negative"
    return next((name for name in ("sensitivity", "specificity") if name in lower and "points" not in lower), "")


def _even(words: list[str]) -> str:
    return " ".join("".join(words).split())

"""Run the cells of a report in order, in one namespace, and put what they print in their place.

A report is a `.qmd` text: YAML front matter, prose, `{{< include _part.qmd >}}` lines and `{python}` cells whose only
option is `#| output: asis`. Executed, it is plain Markdown that either renderer turns into a page.
"""

from __future__ import annotations

import contextlib
import io
import re
import traceback
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from examtally.errors import ReportError

CELL_OPTIONS = ("#| output: asis",)
_FRONT = re.compile(r"\A---\n(.*?)^---\n", re.M | re.S)
_INCLUDE = re.compile(r"^\{\{< include ([\w./-]+) >\}\}$", re.M)
_CELL = re.compile(r"^```\{python\}\n(.*?)^```$", re.M | re.S)


@dataclass(frozen=True)
class Cell:
    """One block of code: the file it stands in, the line on which its code begins, the code."""

    file: str
    line: int
    code: str


@dataclass(frozen=True)
class Report:
    """A report as written, includes resolved: its name, front matter and the prose and cells in order."""

    name: str
    front: dict[str, Any]
    pieces: tuple[str | Cell, ...]

    @property
    def cells(self) -> tuple[Cell, ...]:
        """The cells in the order in which they run."""
        return tuple(piece for piece in self.pieces if isinstance(piece, Cell))


def read_report(path: Path) -> Report:
    """Read a report and its includes (one level deep); raise ReportError naming the file and line that is wrong."""
    text = _read(path)
    match = _FRONT.match(text)
    if match is None:
        raise ReportError(f"{path.name}, line 1: no front matter; begin the file with '---', keys, '---'")
    front = _front_matter(path.name, match.group(1))
    body = text[match.end() :]
    first_line = text[: match.end()].count("\n") + 1
    return Report(path.name, front, tuple(_pieces(path, body, first_line)))


def execute(report: Report, space: dict[str, Any] | None = None) -> str:
    """Run the cells of `report` in one namespace and return its body as Markdown, front matter left out.

    Cells see the working directory of the caller. The first cell that fails stops the report with a ReportError that
    names the report, the cell and the line.
    """
    space = {"__name__": "__report__"} if space is None else space
    parts: list[str] = []
    number = 0
    for piece in report.pieces:
        if isinstance(piece, Cell):
            number += 1
            parts.append(f"\n{_run(report.name, number, piece, space).strip()}\n")
        else:
            parts.append(piece)
    return "".join(parts)


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ReportError(f"{path.name}: cannot be read as UTF-8 text ({type(error).__name__})") from error


def _front_matter(name: str, text: str) -> dict[str, Any]:
    try:
        front = yaml.safe_load(text)
    except yaml.YAMLError as error:
        raise ReportError(f"{name}: the front matter is not YAML; check its indentation") from error
    if not isinstance(front, dict):
        raise ReportError(f"{name}: the front matter must be 'key: value' lines")
    return front


def _pieces(path: Path, body: str, first_line: int, *, included: bool = False) -> Iterator[str | Cell]:
    """Split a text into prose and cells, following its includes."""
    end = 0
    for match in sorted([*_INCLUDE.finditer(body), *_CELL.finditer(body)], key=lambda m: m.start()):
        if match.start() < end:
            continue
        line = first_line + body.count("\n", 0, match.start())
        yield body[end : match.start()]
        end = match.end()
        if match.re is _CELL:
            yield _cell(path.name, line + 1, match.group(1))
        elif included:
            raise ReportError(f"{path.name}, line {line}: an included file may not include another")
        else:
            part = path.parent / match.group(1)
            yield from _pieces(part, _read(part), 1, included=True)
    yield body[end:]


def _cell(file: str, line: int, code: str) -> Cell:
    options = tuple(text for text in code.splitlines() if text.startswith("#|"))
    if options != CELL_OPTIONS:
        raise ReportError(f"{file}, line {line}: a cell has exactly one option line, '{CELL_OPTIONS[0]}'")
    return Cell(file, line, code)


def _run(report: str, number: int, cell: Cell, space: dict[str, Any]) -> str:
    printed = io.StringIO()
    try:
        padded = "\n" * (cell.line - 1) + cell.code
        with contextlib.redirect_stdout(printed):
            exec(compile(padded, cell.file, "exec"), space)
    except Exception as error:
        line = _failing_line(cell, error)
        where = f"{report}, cell {number} ({cell.file}, line {line})"
        raise ReportError(f"{where} failed: {type(error).__name__}: {error}") from error
    return printed.getvalue()


def _failing_line(cell: Cell, error: Exception) -> int:
    if isinstance(error, SyntaxError) and error.filename == cell.file and error.lineno:
        return error.lineno
    lines = [frame.lineno for frame in traceback.extract_tb(error.__traceback__) if frame.filename == cell.file]
    return next((line for line in reversed(lines) if line), cell.line)

"""Run the cells of a report in order, in one namespace, and put what they print in their place.

A report is a `.qmd` text: YAML front matter, prose with inline code, `{{< include _part.qmd >}}` lines and `{python}`
cells that print Markdown. Executed, it is plain Markdown that either renderer turns into a page, as Quarto's own engine
would leave it.
"""

from __future__ import annotations

import ast
import contextlib
import io
import re
import traceback
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from examtally.errors import ReportError
from examtally.reporting.engine import syntax
from examtally.words import for_markdown

_FRONT = re.compile(r"\A---\n(.*?)^---\n", re.M | re.S)
_INCLUDE = re.compile(r"^\{\{< include ([\w./-]+) >\}\}$", re.M)
_CELL = re.compile(r"^```\{python\}\n(.*?)^```$", re.M | re.S)
_INLINE = re.compile(r"(?<!`)`\{python\}[ \t]([^`]+)`")
_META = re.compile(r"\{\{<\s*meta\s+([\w.-]+)\s*>\}\}")


@dataclass(frozen=True)
class Cell:
    """One block of code: the file it stands in, the line on which its code begins, the code and its options."""

    file: str
    line: int
    code: str
    options: Mapping[str, Any]

    @property
    def takes_parameters(self) -> bool:
        """Whether values given from outside take the place of those it sets."""
        return "parameters" in (self.options.get("tags") or ())


@dataclass(frozen=True)
class Prose:
    """Text between cells, and where it begins."""

    file: str
    line: int
    text: str


@dataclass(frozen=True)
class Report:
    """A report as written, includes resolved: its name, front matter and the prose and cells in order."""

    name: str
    front: dict[str, Any]
    pieces: tuple[Prose | Cell, ...]

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


def execute(report: Report, params: Mapping[str, object] | None = None) -> str:
    """Run the cells of `report` in one namespace and return its body as Markdown, front matter left out.

    `params` take the place of what the cell tagged `parameters` sets; raises ReportError for one that it does not set.
    Cells see the working directory of the caller. The first cell or inline code that fails stops the report with a
    ReportError that names the report, the cell and the line.
    """
    space: dict[str, Any] = {"__name__": "__report__"}
    parts: list[str] = []
    number = 0
    given = dict(params or {})
    for piece in report.pieces:
        if isinstance(piece, Prose):
            parts.append(_spoken(report, piece, space))
            continue
        number += 1
        printed = _run(report.name, number, piece, space) if piece.options.get("eval", True) else ""
        if piece.takes_parameters:
            _take(report.name, space, given)
            given = {}
        parts.append(_placed(piece, printed))
    if given:
        raise ReportError(f"{report.name} takes no parameters; tag a cell '#| tags: [parameters]'")
    return "".join(parts)


def _take(name: str, space: dict[str, Any], given: Mapping[str, object]) -> None:
    known = [key for key in space if not key.startswith("__")]
    unknown = sorted(given.keys() - set(known))
    if unknown:
        raise ReportError(f"{name} takes no parameter {unknown[0]}; it takes {', '.join(known)}")
    space |= given


def _placed(cell: Cell, printed: str) -> str:
    """What a cell printed, as Quarto would leave it: under its label, if it is of a table or figure."""
    if cell.options.get("output") is False or cell.options.get("include") is False:
        return "\n"
    label = str(cell.options.get("label", ""))
    if not label.startswith(("tbl-", "fig-")):
        return f"\n{printed.strip()}\n"
    key = f"{label[:3]}-cap"
    said = str(cell.options[key]).replace('"', r"\"") if key in cell.options else ""
    caption = f' {key}="{said}"' if said else ""
    return f"\n:::::::: {{#{label}{caption}}}\n{printed.strip()}\n::::::::\n"


def _spoken(report: Report, prose: Prose, space: dict[str, Any]) -> str:
    """Prose with the values of its inline code, as plain words, and of its front matter where it asks for them."""

    def value(match: re.Match[str]) -> str:
        try:
            return for_markdown(str(eval(match.group(1), space)))
        except Exception as error:
            line = prose.line + prose.text.count("\n", 0, match.start())
            where = f"{report.name}, inline code ({prose.file}, line {line})"
            raise ReportError(f"{where} failed: {type(error).__name__}: {error}") from error

    def of_front(match: re.Match[str]) -> str:
        if match.group(1) not in report.front:
            line = prose.line + prose.text.count("\n", 0, match.start())
            raise syntax.refuse(prose.file, line, f"'{match.group()}' of no key in the front matter")
        return for_markdown(str(report.front[match.group(1)]))

    return _INLINE.sub(value, _META.sub(of_front, prose.text))


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
    syntax.check_front(name, text, front)
    return front


def _pieces(path: Path, body: str, first_line: int, *, included: bool = False) -> Iterator[Prose | Cell]:
    """Split a text into prose and cells, following its includes."""
    end = 0
    for match in sorted([*_INCLUDE.finditer(body), *_CELL.finditer(body)], key=lambda m: m.start()):
        if match.start() < end:
            continue
        line = first_line + body.count("\n", 0, match.start())
        yield _prose(path.name, first_line + body.count("\n", 0, end), body[end : match.start()])
        end = match.end()
        if match.re is _CELL:
            yield Cell(path.name, line + 1, match.group(1), syntax.cell_options(path.name, line + 1, match.group(1)))
        elif included:
            raise ReportError(f"{path.name}, line {line}: an included file may not include another")
        else:
            part = path.parent / match.group(1)
            yield from _pieces(part, _read(part), 1, included=True)
    yield _prose(path.name, first_line + body.count("\n", 0, end), body[end:])


def _prose(file: str, line: int, text: str) -> Prose:
    syntax.check_prose(file, line, text)
    return Prose(file, line, text)


def _run(report: str, number: int, cell: Cell, space: dict[str, Any]) -> str:
    printed = io.StringIO()
    try:
        code = ast.parse("\n" * (cell.line - 1) + cell.code, cell.file)
        last = code.body[-1] if code.body and isinstance(code.body[-1], ast.Expr) else None
        code.body = code.body[:-1] if last else code.body
        with contextlib.redirect_stdout(printed):
            exec(compile(code, cell.file, "exec"), space)
            value = eval(compile(ast.Expression(last.value), cell.file, "eval"), space) if last else None
    except Exception as error:
        line = _failing_line(cell, error)
        where = f"{report}, cell {number} ({cell.file}, line {line})"
        raise ReportError(f"{where} failed: {type(error).__name__}: {error}") from error
    if last is not None and value is not None:
        raise syntax.refuse(cell.file, last.lineno, "a value at the end of a cell (print it)")
    return printed.getvalue()


def _failing_line(cell: Cell, error: Exception) -> int:
    if isinstance(error, SyntaxError) and error.filename == cell.file and error.lineno:
        return error.lineno
    lines = [frame.lineno for frame in traceback.extract_tb(error.__traceback__) if frame.filename == cell.file]
    return next((line for line in reversed(lines) if line), cell.line)

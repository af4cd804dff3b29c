"""Tables of a report: semantic HTML from a Polars frame, with the same figures to take away as CSV inside the page."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from html import escape

import polars as pl

from examtally.errors import ReportError
from examtally.words import for_csv

_LABELLED = "::::::::"  # the fence round a table with a label


@dataclass(frozen=True)
class Column:
    """One column as a reader sees it: the frame's column, the heading, and a heading over several columns, if any.

    What follows a line break in a heading or a cell is set small beneath it.
    Numbers stand right, words left; the first column of a table is the heading of its rows.
    `anchor` names a column of the frame with the place of the page to which a cell leads.
    """

    key: str
    label: str
    over: str = ""
    words: bool = False
    anchor: str = ""


def table(
    frame: pl.DataFrame,
    columns: Sequence[Column],
    *,
    caption: str,
    group: str | None = None,
    label: str = "",
    sortable: bool = False,
) -> str:
    """Return a table as a raw HTML block for a cell to print; with a `label` `tbl-…` a text can refer to it.

    Cells are the text of the frame (null: an empty cell); what follows a line break in a cell is set small beneath it.
    `group` names a column whose runs of equal values become headings over their rows. Rows of a `sortable` table are
    put in order by a press on a heading. Raises ReportError when there is no caption or a column is missing.
    """
    if not caption.strip():
        raise ReportError("a table has no caption")
    missing = [column.key for column in columns if column.key not in frame.columns]
    if missing:
        raise ReportError(f"table '{caption}' has no column {', '.join(missing)}")
    lines = [
        '<div class="table-box">',
        '<table class="sortable">' if sortable else "<table>",
        f"<caption><span>{escape(caption)}</span></caption>",
        *_head(columns),
        *_bodies(frame, columns, group),
        "</table>",
        "</div>",
    ]
    shown = raw_html("\n".join(lines))
    return f"\n{_LABELLED} {{#{label}}}\n{shown}\n{_LABELLED}\n" if label else shown


def details(title: str, text: str) -> str:
    """Put text under a fold that a reader opens."""
    return f"{raw_html(f'<details><summary>{escape(title)}</summary>')}{text}{raw_html('</details>')}"


def tabs(panels: Sequence[str], *, depth: int = 0) -> str:
    """Set panels, each beginning with a heading, as tabs; `depth` counts the levels of tabs within them."""
    if not panels:
        return ""
    fence = ":" * (3 + depth)
    return f"\n{fence} {{.panel-tabset}}\n\n" + "\n\n".join(panels) + f"\n\n{fence}\n"


def raw_html(text: str) -> str:
    """Wrap HTML for the text of a report; outside HTML only tables survive."""
    return f"\n```{{=html}}\n{text}\n```\n"


def download(frame: pl.DataFrame, name: str) -> str:
    """Return a link that holds the frame as CSV: nothing is fetched, the page carries it."""
    text = for_csv(frame).write_csv(float_precision=None)
    data = base64.b64encode(text.encode()).decode()
    return (
        f'\n::: download\n[Download these figures (CSV)](data:text/csv;base64,{data}){{download="{name}.csv"}}\n:::\n'
    )


def _head(columns: Sequence[Column]) -> Iterator[str]:
    yield "<thead>"
    if any(column.over for column in columns):
        spans = "".join(
            f'<th scope="colgroup" colspan="{width}">{escape(over)}</th>' if over else f'<td colspan="{width}"></td>'
            for over, width in _spans(columns)
        )
        yield f"<tr>{spans}</tr>"
    cells = "".join(f'<th scope="col"{_side(column)}>{_lines(column.label)}</th>' for column in columns)
    yield f"<tr>{cells}</tr>"
    yield "</thead>"


def _spans(columns: Sequence[Column]) -> list[tuple[str, int]]:
    """Runs of neighbouring columns under one heading, with their width."""
    runs: list[tuple[str, int]] = []
    for column in columns:
        if runs and column.over and runs[-1][0] == column.over:
            runs[-1] = (column.over, runs[-1][1] + 1)
        else:
            runs.append((column.over, 1))
    return runs


def _bodies(frame: pl.DataFrame, columns: Sequence[Column], group: str | None) -> Iterator[str]:
    """Rows in one body, or a body under a heading for each run of `group`."""
    previous = object()
    yield "<tbody>"
    for number, row in enumerate(frame.iter_rows(named=True)):
        if group is not None and row[group] != previous:
            if number:
                yield "</tbody>\n<tbody>"
            previous = row[group]
            yield f'<tr class="group"><th scope="rowgroup" colspan="{len(columns)}">{escape(str(previous))}</th></tr>'
        yield f"<tr>{''.join(_cell(column, row, index) for index, column in enumerate(columns))}</tr>"
    yield "</tbody>"


def _cell(column: Column, row: Mapping[str, object], index: int) -> str:
    tag, scope = ("th", ' scope="row"') if index == 0 else ("td", "")
    side = "" if index == 0 else _side(column)
    value = row[column.key]
    text = _lines("" if value is None else str(value))
    inner = f'<a href="#{escape(str(row[column.anchor]))}">{text}</a>' if column.anchor else text
    return f"<{tag}{scope}{side}>{inner}</{tag}>"


def _lines(text: str) -> str:
    """The first line, and the others small beneath it."""
    main, *rest = text.split("\n")
    return escape(main) + "".join(f"<br /><small>{escape(line)}</small>" for line in rest if line)


def _side(column: Column) -> str:
    return ' class="words"' if column.words else ""

"""Estimates of accuracy as a figure: pre-specified rows filled, exploratory ones open and named so."""

from __future__ import annotations

import polars as pl

from examtally.plots.look import ABSENT, GREY, PRESENT, bare, percent_axis, style
from examtally.reporting.engine.figures import paper as sheet
from examtally.reporting.engine.figures import publish
from examtally.reporting.manuscript.boxes import WIDTH
from examtally.reporting.manuscript.paper import Paper, Row, label
from examtally.reporting.manuscript.values import how_made, leading_rows, value_words

_ROW = 0.3
_HEAD, _FOOT = 0.1, 0.35
_COLOURS = {"sensitivity": PRESENT, "specificity": ABSENT}


def forest(paper: Paper) -> str:
    """Sensitivity and specificity by the leading estimate, else on verified knees; a figure a test, if there is one."""
    lines = [
        line
        for line in leading_rows(paper.rows("accuracy"))
        if line["measure"] in _COLOURS and line["group_by"] != "examiner" and line["n"]
    ]
    tests = dict.fromkeys(line["maneuver"] for line in lines)
    return "\n".join(_of_test(paper, [line for line in lines if line["maneuver"] == test]) for test in tests)


def _of_test(paper: Paper, lines: list[Row]) -> str:
    name = paper.test_name(lines[0]["maneuver"])
    height = _HEAD + _FOOT + _ROW * len(lines)
    with style():
        figure = sheet(height, WIDTH)
        axes = bare(figure.add_axes((0.46, _FOOT / height, 0.3, (height - _HEAD - _FOOT) / height)))
        percent_axis(axes)
        axes.set_ylim(len(lines), 0)
        axes.set_yticks([])
        for place, line in enumerate(lines):
            middle = place + 0.5
            axes.text(-1.5, middle, _row_words(paper, line), va="center", ha="left", fontsize=8.5)
            axes.text(1.07, middle, value_words(line), va="center", ha="left", fontsize=8.5)
            if value_words(line).startswith("too few"):
                continue
            colour = _COLOURS[line["measure"]]
            axes.plot([line["ci_low"], line["ci_high"]], [middle] * 2, color=colour, linewidth=1.6)
            face = colour if line["status"] == "prespecified" else "white"
            axes.plot([line["estimate"]], [middle], "o", color=colour, markerfacecolor=face, markersize=6)
        axes.tick_params(axis="x", colors=GREY)
        return publish(
            figure,
            f"estimates-{lines[0]['maneuver'].replace('_', '-')}",
            caption=(
                f"{name}, sensitivity and specificity, {how_made(lines[0]['adjustment'])}; filled: pre-specified, "
                "open: exploratory."
            ),
            alt="Sensitivity and specificity. " + " ".join(_alt(paper, line) for line in lines),
            data=pl.DataFrame([_data(line) for line in lines], infer_schema_length=None),
        )


def _row_words(paper: Paper, line: Row) -> str:
    group = "" if line["group_by"] == "overall" else f", {paper.group_name(line['group'])}"
    return f"{line['measure']}{group}; {label(line['status'])}"


def _alt(paper: Paper, line: Row) -> str:
    return f"{paper.test_name(line['maneuver'])}, {_row_words(paper, line)}: {value_words(line)}."


def _data(line: Row) -> Row:
    names = ("maneuver", "measure", "group_by", "group", "estimate", "ci_low", "ci_high", "events", "n", "status")
    return {name: line[name] for name in names}

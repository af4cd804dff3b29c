"""Figures of the Results: accuracy of each test, and differences between tests or groups, with their intervals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from examtally.plots.look import ABSENT, BAND, GREY, INK, PRESENT, bare, percent_axis, style
from examtally.reporting.engine.figures import paper as sheet
from examtally.reporting.engine.figures import publish
from examtally.reporting.engine.numbers import percent
from examtally.reporting.manuscript.boxes import WIDTH
from examtally.reporting.manuscript.contrasts import of_one_figure
from examtally.reporting.manuscript.paper import Paper, Row
from examtally.reporting.manuscript.values import (
    RATIOS,
    capital,
    difference_words,
    how_made,
    is_shown,
    leading,
    measure_name,
    of_whom,
    value_words,
)

DIFFERENCE, ESTIMATES = "fig-difference", "fig-estimates"
_ROW = 0.32
_HEAD, _FOOT = 0.1, 0.62
_COLOURS = {"sensitivity": PRESENT, "specificity": ABSENT}
_SIZE = 8.5


def differences(paper: Paper) -> str:
    """The differences that the study is about, main figures and those of verified «nouns» alone; empty without any."""
    name = "comparisons" if paper.has_kind("paired") else "interactions"
    lines = [
        line
        for same in of_one_figure(paper, name)
        for line in same
        if line["measure"] not in RATIOS and _is_wanted(paper, line, name)
    ]
    lines = [line for line in lines if line["adjustment"] in (paper.study.main, "none")]
    drawn = [line for line in lines if is_shown(line, "difference") and line["ci_low"] is not None]
    if not drawn:
        return ""
    what, toward = _what(paper, lines[0], name)
    height = _HEAD + _FOOT + _ROW * len(lines)
    with style():
        figure, axes = _axes(height, len(lines))
        _difference_axis(axes, drawn, "Difference, percentage points")
        for place, line in enumerate(lines):
            _row(axes, place, _words(paper, line), difference_words(line), left=-1.48)
            if line in drawn:
                _interval(axes, place, line, "difference", is_main=line["adjustment"] == paper.study.main)
        return publish(
            figure,
            DIFFERENCE.removeprefix("fig-"),
            caption=f"{capital(what)}: difference with {percent(1 - paper.study.alpha)} CI; {toward}. Filled: "
            f"{how_made(paper.study.main)}; open: verified «nouns» only.",
            alt=f"Differences, {what}. " + " ".join(f"{_words(paper, one)}: {difference_words(one)}." for one in lines),
            data=pl.DataFrame([_difference_data(line) for line in lines], infer_schema_length=None),
        )


def _is_wanted(paper: Paper, line: Row, name: str) -> bool:
    if name == "interactions":
        compared = {one.group_by for one in paper.study.analyses if one.kind == "by_group"}
        return line["group_by"] in compared
    return line["group_by"] == "overall" or paper.study.primary[0].measures[:1] == (line["measure"],)


def _what(paper: Paper, line: Row, name: str) -> tuple[str, str]:
    """What is taken from what, and which side favors which."""
    if name == "comparisons":
        one, other = (paper.test_inside(line[key]) for key in ("maneuver_a", "maneuver_b"))
    else:
        one, other = (paper.level_name(line["group_by"], line[key]) for key in ("group_a", "group_b"))
    return f"{one} minus {other}", f"below 0 favors {other}"


def _words(paper: Paper, line: Row) -> str:
    group = ""
    if line.get("group", "all") != "all":
        group = f", {of_whom(paper, line)}"
    return f"{capital(measure_name(line['measure']))}{group}, {how_made(line['adjustment'])}{paper.mark(line)}"


def _axes(height: float, rows: int) -> tuple[Figure, Axes]:
    figure = sheet(height, WIDTH)
    axes = bare(figure.add_axes((0.49, _FOOT / height, 0.29, (height - _HEAD - _FOOT) / height)))
    axes.set_ylim(rows, 0)
    axes.set_yticks([])
    axes.tick_params(axis="x", colors=GREY)
    return figure, axes


def _difference_axis(axes: Axes, drawn: Sequence[Row], title: str) -> None:
    """An axis in points that holds every interval, 0 marked."""
    reach = max(abs(line[key]) for line in drawn for key in ("ci_low", "ci_high"))
    end = next((one for one in (0.1, 0.2, 0.3, 0.5) if reach <= one), 1.0)
    axes.set_xlim(-end * 1.04, end * 1.04)
    ticks = [-end, -end / 2, 0, end / 2, end]
    axes.set_xticks(ticks, [f"{one * 100:+.0f}".replace("-", "−") if one else "0" for one in ticks])
    axes.grid(axis="x", color=BAND, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.axvline(0, color=GREY, linewidth=1)
    axes.set_xlabel(title, fontsize=_SIZE, color=INK)


def _row(axes: Axes, place: int, words: str, value: str, *, left: float) -> None:
    """What stands left and right of one row, in the units of the axes' width."""
    middle = place + 0.5
    frame: dict[str, Any] = {"transform": axes.get_yaxis_transform(), "va": "center", "ha": "left", "fontsize": _SIZE}
    axes.text(left, middle, words, **frame)
    axes.text(1.06, middle, value, **frame)


def _interval(axes: Axes, place: int, line: Row, figure: str, *, is_main: bool) -> None:
    middle, colour = place + 0.5, _COLOURS.get(line["measure"], INK)
    axes.plot([line["ci_low"], line["ci_high"]], [middle] * 2, color=colour, linewidth=1.6)
    face = colour if is_main else "white"
    axes.plot([line[figure]], [middle], "o", color=colour, markerfacecolor=face, markersize=6)


def estimates(paper: Paper) -> str:
    """Sensitivity and specificity of each test by the main estimate, else of verified «nouns»; one figure for all."""
    groups: dict[tuple[str, ...], list[Row]] = {}
    for line in paper.rows("accuracy"):
        if line["measure"] in _COLOURS and line["group_by"] != "examiner" and line["n"]:
            groups.setdefault((line["maneuver"], line["group_by"], line["group"], line["measure"]), []).append(line)
    lines = [leading(paper, same) or same[0] for same in groups.values()]
    if not any(is_shown(line) for line in lines):
        return ""
    lines.sort(key=lambda one: (paper.used_tests().index(one["maneuver"]), one["group_by"] != "overall"))
    height = _HEAD + _FOOT + _ROW * len(lines)
    is_one = len({line["maneuver"] for line in lines}) == 1
    with style():
        figure, axes = _axes(height, len(lines))
        percent_axis(axes)
        axes.set_xlabel("Sensitivity or specificity", fontsize=_SIZE, color=INK)
        for place, line in enumerate(lines):
            _row(axes, place, _estimate_name(paper, line, is_one=is_one), value_words(line), left=-1.66)
            if is_shown(line):
                _interval(axes, place, line, "estimate", is_main=line["adjustment"] == paper.study.main)
        name = f"{paper.test_name(lines[0]['maneuver'])}: accuracy" if is_one else "Accuracy of each index test"
        return publish(
            figure,
            ESTIMATES.removeprefix("fig-"),
            caption=f"{name} with {percent(1 - paper.study.alpha)} CI. Filled: {how_made(paper.study.main)}; open: "
            "verified «nouns» only.",
            alt="Sensitivity and specificity. "
            + " ".join(f"{_estimate_name(paper, one, is_one=is_one)}: {value_words(one)}." for one in lines),
            data=pl.DataFrame([_data(line) for line in lines], infer_schema_length=None),
        )


def _estimate_name(paper: Paper, line: Row, *, is_one: bool) -> str:
    test = "" if is_one else f"{paper.test_name(line['maneuver'])}, "
    group = "" if line["group_by"] == "overall" else f", {of_whom(paper, line)}"
    measure = measure_name(line["measure"])
    return f"{test}{measure if test else capital(measure)}{group}{paper.mark(line)}"


def _data(line: Row) -> Row:
    names = ("maneuver", "measure", "group_by", "group", "adjustment", "estimate", "ci_low", "ci_high", "events", "n")
    return {name: line[name] for name in (*names, "status")}


def _difference_data(line: Row) -> Row:
    names = (
        "measure",
        "adjustment",
        "estimate_a",
        "estimate_b",
        "difference",
        "ci_low",
        "ci_high",
        "p_value",
        "status",
    )
    return {name: line[name] for name in names}

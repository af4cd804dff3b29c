"""The page of change: for each declared intervention whether the exam changed, and what else did."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from examtally.analytics.change.changes import FEWEST_PERIODS, LEADING
from examtally.analytics.change.drift import FEWEST_PERIODS as FEWEST_SERIES
from examtally.contracts.protocol.interventions import Intervention
from examtally.errors import ReportError
from examtally.plots.look import ABSENT, GREY, INK, PRESENT, RULE, bare, style
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.figures import paper, publish
from examtally.reporting.engine.numbers import counted, listed, percent, points
from examtally.reporting.engine.renderer import render
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence
from examtally.results import read_results

Row = Mapping[str, Any]
_METHODS = {
    "before_after": "before and after, within those reached",
    "difference_in_differences": "reached less not reached",
    "interrupted_level": "time series: step",
    "interrupted_slope": "time series: change of trend, a period",
}
_VERDICTS = {"rose": "rose", "fell": "fell", "about_the_same": "about the same", "cannot_be_told": "cannot be told"}
_TABLE = (
    Column("target", "What"),
    Column("method", "Compared", words=True),
    Column("before", "Before"),
    Column("after", "After"),
    Column("difference", "Difference, points"),
    Column("told", "Told", words=True),
    Column("examiners", "Examiners"),
)
_CONTEXT = (Column("what", "What"), Column("before", "Before"), Column("after", "After"), Column("moved", "Points"))
_DRIFT = (Column("what", "What"), Column("period", "From"), Column("before", "Before"), Column("after", "From then on"))
_EVENTS = {
    "new_examiner": "an examiner's first exam",
    "new_reader": "a reader's first reading",
    "new_batch": "the first exams of a batch",
    "intervention": "a declared intervention",
}
_MOST_NAMED = 3
_LEAST_MOVE = 0.03
_MOST_CONTEXT = 10


def render_change(
    results_dir: Path,
    out_dir: Path,
    *,
    formats: Sequence[str] = ("html",),
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Render the page of change as `change`; return the pages in the order of `formats`.

    Raises ResultsError where the folder is no whole results folder and ReportError where it was made without the tables
    of change and drift; nothing is written then.
    """
    missing = [name for name in ("changes", "drift") if name not in read_results(results_dir).tables]
    if missing:
        raise ReportError(f"these results were made without the table {missing[0]}; analyze again with it")
    if progress is not None:
        progress("rendering the page of change")
    return render("change", results_dir, out_dir, formats=formats)


def answer(audit: Audit) -> str:
    """What can be told of each intervention, in one or two sentences each."""
    return "\n\n".join([*(_answer(audit, one) for one in audit.protocol.interventions), _drifted(audit)])


def figures(audit: Audit) -> str:
    """For each intervention a picture and the table of all that was estimated."""
    parts = []
    for one in audit.protocol.interventions:
        rows = _rows(audit, one)
        parts.append(f"### {one.title[0].upper()}{one.title[1:]}")
        if not rows:
            parts.append("Nothing can be told: too few knees are examined, or imaged, to estimate any of it.")
            continue
        shown = pl.DataFrame([_cells(audit, row) for row in rows])
        parts.append(_picture(audit, one))
        parts.append(table(shown, _TABLE, caption=f"Change after {one.period}, with 95% limits, at the same case mix"))
    return "\n\n".join(parts) or "No intervention was declared: `examtally guide teaching` says how."


def drift(audit: Audit) -> str:
    """Changes of level with an alarm, and what began in the records at that time."""
    rows = audit.table("drift")
    if rows.is_empty():
        return f"No series is long enough yet: {FEWEST_SERIES} periods with follow-up complete."
    alarms = rows.filter("alarm").sort("p_value", "item")
    watched = f"{counted(rows.height, 'series', 'series')} of accuracy, agreement, imaging, records and calibration"
    said = f"Watched: {watched}. Together they raise a false alarm in one analysis of twenty."
    if alarms.is_empty():
        return f"{said} None changed its level."
    shown = [
        {
            "what": _series(audit, row),
            "period": row["period"],
            "before": _level(row, "before"),
            "after": _level(row, "after"),
        }
        for row in alarms.iter_rows(named=True)
    ]
    began = [
        f"{row['period']}: {_EVENTS[row['event']]} ({row['number']})"
        for row in audit.table("drift_events").iter_rows(named=True)
    ]
    beside = f"In the records at that time: {'; '.join(began)}. It may be the cause, or not." if began else ""
    return f"{said}\n{table(pl.DataFrame(shown), _DRIFT, caption='Changes of level')}\n\n{beside}"


def context(audit: Audit) -> str:
    """What else moved by three points or more, the most first."""
    parts = []
    for one in audit.protocol.interventions:
        rows = audit.table("change_context").filter(intervention=one.code)
        rows = rows.with_columns((pl.col("after") - pl.col("before")).alias("moved")).drop_nulls("moved")
        moved = rows.filter(pl.col("moved").abs() >= _LEAST_MOVE).sort(pl.col("moved").abs(), "item", descending=True)
        named = f"after {one.period}, {one.title}"
        if moved.is_empty():
            parts.append(f"Nothing else moved by {_LEAST_MOVE:.0%} or more {named}.")
            continue
        shown = [
            {
                "what": _what(audit, row),
                "before": percent(row["before"]),
                "after": percent(row["after"]),
                "moved": points(row["moved"]),
            }
            for row in moved.head(_MOST_CONTEXT).iter_rows(named=True)
        ]
        parts.append(table(pl.DataFrame(shown), _CONTEXT, caption=f"What else changed {named}"))
    return "\n\n".join(parts)


def reservations(audit: Audit) -> str:
    """What the figures can and cannot tell."""
    tested = sum(len(one.targets) for one in audit.protocol.interventions)
    late = [one.title for one in audit.protocol.interventions if not one.is_prespecified]
    named = {"acuity": "onset"}
    mix = [named.get(name, name.replace("_", " ")) for name in audit.catalogue.case_mix]
    lines = [
        f"Only what was declared is looked at: {counted(tested, 'measure')}. One in twenty such answers is wrong by "
        "chance.",
        "*Before and after* holds everything that changed at that time, learning included. *Reached less not reached* "
        "takes off what changed for everybody. Both compare each examiner with the same examiner: who came or left "
        "does not count.",
        f"A time series is looked at from {FEWEST_PERIODS} periods a side.",
        f"The case mix ({', '.join(mix)}) is held the same; what else changed stands above.",
    ]
    if late:
        lines.append(f"Not written down before it took place, so exploratory: {listed(late)}.")
    return "\n".join(f"- {line}" for line in lines)


def _drifted(audit: Audit) -> str:
    alarms = audit.table("drift").filter("alarm").sort("p_value", "item")
    if alarms.is_empty():
        return "**Drift.** Nothing watched over time changed its level."
    named = [f"{_series(audit, row)} (from {row['period']})" for row in alarms.head(_MOST_NAMED).iter_rows(named=True)]
    return f"**Drift.** Another level since some time: {listed(named)}."


def _series(audit: Audit, row: Row) -> str:
    """What a series is of."""
    names = audit.catalogue.maneuvers
    maneuver = inside_sentence(names[row["maneuver"]].name) if row["maneuver"] in names else ""
    condition = audit.catalogue.conditions.get(row["condition"])
    disease = inside_sentence(condition.name) if condition else ""
    return {
        "record": audit.wording.word("indicator", row["item"]).lower(),
        "accuracy": f"{row['item']} of the {maneuver} for {disease}",
        "agreement": f"agreement on the {maneuver}",
        "calibration": f"stated probability of {disease} less the truth",
    }[row["kind"]]


def _level(row: Row, side: str) -> str:
    return points(row[side]) if row["kind"] == "calibration" else percent(row[side])


def _rows(audit: Audit, one: Intervention) -> list[Row]:
    """All rows of an intervention, the targets as declared."""
    found = audit.table("changes").filter(intervention=one.code).to_dicts()
    order = {(each.condition, each.maneuver, each.measure): place for place, each in enumerate(one.targets)}
    methods = (*LEADING, *(name for name in _METHODS if name not in LEADING))
    return sorted(
        found, key=lambda row: (order[row["condition"], row["maneuver"], row["measure"]], methods.index(row["method"]))
    )


def _leading(audit: Audit, one: Intervention) -> list[Row]:
    """The row of each target from which the answer is taken."""
    chosen: dict[tuple[str, ...], Row] = {}
    for row in _rows(audit, one):
        chosen.setdefault((row["condition"], row["maneuver"], row["measure"]), row)
    return list(chosen.values())


def _answer(audit: Audit, one: Intervention) -> str:
    rows = _leading(audit, one)
    meant = [_sentence(audit, row) for row in rows if row["expected"] == "change"]
    others = [row for row in rows if row["expected"] == "no_change"]
    moved = [_target(audit, row) for row in others if row["verdict"] in ("rose", "fell")]
    said = f"**{one.title[0].upper()}{one.title[1:]} ({one.period}).** {' '.join(meant)}"
    if moved:
        return f"{said} What it should not touch changed as well ({listed(moved)}): look for another cause first."
    if others:
        untouched = listed([_target(audit, row) for row in others])
        return f"{said} No change is found in what it should not touch ({untouched})."
    return said


def _sentence(audit: Audit, row: Row) -> str:
    target = _target(audit, row)
    target = f"{target[0].upper()}{target[1:]}"
    if row["difference"] is None or row["ci_low"] is None:
        return f"{target}: cannot be told. {row['note']}"
    limits = f"{points(row['ci_low'])} to {points(row['ci_high'])}"
    change = f"{points(row['difference'])} points (95% limits {limits})"
    if row["verdict"] == "cannot_be_told":
        return f"{target}: cannot be told, {change}."
    shares = f", from {percent(row['before'])} to {percent(row['after'])}" if row["before"] is not None else ""
    return f"{target} {_VERDICTS[row['verdict']]}: {change}{shares}."


def _cells(audit: Audit, row: Row) -> dict[str, str]:
    limits = "" if row["ci_low"] is None else f"{points(row['ci_low'])} to {points(row['ci_high'])}"
    is_slope = row["method"] == "interrupted_slope"
    return {
        "target": _target(audit, row) + ("" if row["expected"] == "change" else "\nshould not change"),
        "method": _METHODS[row["method"]],
        "before": f"{percent(row['before'])}\nn = {row['n_before']}" if not is_slope else "",
        "after": f"{percent(row['after'])}\nn = {row['n_after']}" if not is_slope else "",
        "difference": f"{points(row['difference'])}\n{limits}",
        "told": _VERDICTS[row["verdict"]] + (f"\n{row['note']}" if row["flag"] else ""),
        "examiners": str(row["examiners"]),
    }


def _target(audit: Audit, row: Row) -> str:
    maneuver = audit.catalogue.maneuvers[row["maneuver"]].name
    condition = inside_sentence(audit.catalogue.conditions[row["condition"]].name)
    return f"{row['measure']} of the {inside_sentence(maneuver)} for {condition}"


def _what(audit: Audit, row: Row) -> str:
    if row["about"] == "case_mix":
        return f"{audit.wording.word('group_by', row['item'])}: {audit.wording.word('group', row['level'])}"
    if row["about"] in ("imaging", "expected"):
        name = audit.catalogue.conditions[row["item"]].name
        return f"{name}: {'verified' if row['about'] == 'imaging' else 'expected to have it'}"
    return "Exams by examiners new since" if row["about"] == "examiners" else "Readings by readers new since"


def _picture(audit: Audit, one: Intervention) -> str:
    """The difference of each target with its limits, about 0; nothing where none has limits."""
    rows = [row for row in _leading(audit, one) if row["ci_low"] is not None]
    if not rows:
        return ""
    figure = paper(0.5 * len(rows) + 0.7)
    with style():
        axes = bare(figure.add_axes((0.04, 0.42 / (0.5 * len(rows) + 0.7), 0.92, 1 - 0.5 / (0.5 * len(rows) + 0.7))))
        axes.axvline(0, color=RULE, linewidth=1)
        for place, row in enumerate(reversed(rows)):
            is_meant = row["expected"] == "change"
            color, mark = (PRESENT, "o") if is_meant else (ABSENT, "s")
            axes.plot([100 * row["ci_low"], 100 * row["ci_high"]], [place, place], color=GREY, linewidth=1.6)
            fill = color if is_meant else "white"
            axes.plot(100 * row["difference"], place, mark, color=color, markerfacecolor=fill, markersize=6)
            axes.text(0, place + 0.22, _target(audit, row), fontsize=9, color=INK, ha="center")
        most = max(20, *(np.ceil(100 * max(abs(row["ci_low"]), abs(row["ci_high"])) / 10) * 10 for row in rows))
        axes.set_xlim(-most, most)
        axes.set_ylim(-0.4, len(rows) - 0.3)
        axes.set_yticks([])
        axes.set_xlabel("Change in points: fell to the left, rose to the right", fontsize=9)
    said = "; ".join(_sentence(audit, row).rstrip(".") for row in rows)
    shown = ("maneuver", "measure", "difference", "ci_low", "ci_high")
    data = pl.DataFrame([{name: row[name] for name in shown} for row in rows])
    caption = "Change after the intervention, with 95% limits. Disc: should change; square: should not"
    return publish(figure, f"change-{one.code}", caption=caption, alt=f"{said}.", data=data)

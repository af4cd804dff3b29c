"""Stated probabilities against what was true: a plot with its band and counts, the measures, and plain sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
from matplotlib.axes import Axes

from examtally.contracts.catalogue.clinical import Condition
from examtally.plots.look import GREY, bare, style
from examtally.plots.plots import plot_curve
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.figures import WIDTH, paper, publish
from examtally.reporting.engine.numbers import counted, listed, percent, percent_range, score, score_range
from examtally.reporting.engine.tables import Column, download, table

_HEIGHT = 2.95
_SIDE = 1.72  # inches, of each square plot
_MEASURES = ("ici", "miscalibration", "brier", "auc")
_IN_PERCENT = frozenset({"ici", "auc"})
Curves = Mapping[tuple[str, str], list[dict[str, Any]]]


def section(audit: Audit) -> str:
    """Every condition with a stated probability whose answer is known, or the sentence that there is none."""
    blocks = [block for condition in audit.settled if (block := calibration_block(audit, condition))]
    if not blocks:
        return "No stated probability belongs to a knee whose answer is known yet."
    return "\n\n".join(blocks)


def calibration_block(audit: Audit, condition: Condition, group_by: str = "overall", group: str = "all") -> str:
    """Plot, sentences and measures of one condition and group, or what is missing for a curve."""
    stated = pl.col("forecast").str.starts_with("examiner_")
    measures = audit.table("calibration").filter(
        stated, condition=condition.code, group_by=group_by, group=group, adjustment="none"
    )
    if measures.is_empty() or not measures["n"].sum():
        return ""
    points = audit.table("calibration_curve").filter(
        condition=condition.code, group_by=group_by, group=group, adjustment="none"
    )
    curves = _curves(points)
    forecasts = list(dict.fromkeys(measures["forecast"]))
    few = measures.filter(pl.col("participants") < audit.min_participants)["forecast"]
    drawn = [forecast for forecast in forecasts if curves.get((forecast, "isotonic")) and forecast not in few]
    parts = [f"### {condition.name} {{#stated_{condition.code}}}"]
    if drawn:
        found = {(row["forecast"], row["measure"]): row for row in measures.iter_rows(named=True)}
        said = [f"{_reading(audit, item, curves)} {_verdict(found, item)}" for item in drawn]
        parts += [
            _figure(audit, condition, {key: curves[key] for key in curves if key[0] in drawn}, forecasts, points),
            *said,
        ]
        parts.append(_measures_table(audit, condition, measures, drawn))
    parts += [_lacking(audit, item, measures) for item in forecasts if item not in drawn]
    return "\n\n".join(parts)


def _figure(audit: Audit, condition: Condition, curves: Curves, forecasts: Sequence[str], points: pl.DataFrame) -> str:
    names = [audit.wording.word("forecast", forecast) for forecast in forecasts]
    with style():
        figure = paper(_HEIGHT)
        for index, (forecast, name) in enumerate(zip(forecasts, names, strict=True)):
            left = 0.095 + 0.47 * index
            box = (left, 0.32, _SIDE / WIDTH, _SIDE / _HEIGHT)
            plot_curve(bare(figure.add_axes(box)), curves.get((forecast, "isotonic"), []), name, with_scale=index == 0)
            _bars(bare(figure.add_axes((left, 0.155, _SIDE / WIDTH, 0.09))), curves.get((forecast, "counts"), []))
        figure.text(
            0.5, 0.015, "Stated probability; bars beneath: how often it was stated", ha="center", fontsize=9, color=GREY
        )
        said = " ".join(
            _reading(audit, forecast, curves) for forecast in forecasts if curves.get((forecast, "isotonic"))
        )
        return publish(
            figure,
            f"calibration-{condition.code}",
            caption=(
                f"{condition.name}: share with the condition against the stated probability. On the diagonal, what was "
                "said is what was found; points within the grey band may be off it by chance."
            ),
            alt=f"Calibration plots for {condition.name}. {said}",
            data=points.select("forecast", "curve", "predicted", "observed", "band_low", "band_high", "n"),
        )


def _bars(axes: Axes, points: Sequence[Mapping[str, Any]]) -> None:
    axes.set_xlim(-0.03, 1.03)
    axes.set_xticks([0, 0.5, 1], ["0", "50", "100%"])
    axes.set_yticks([])
    axes.bar([point["predicted"] for point in points], [point["n"] for point in points], width=0.035, color=GREY)


def _reading(audit: Audit, forecast: str, curves: Curves) -> str:
    """What was found where a low and a high probability was stated most often."""
    points = curves[forecast, "isotonic"]
    halves = [
        [p for p in points if (p["predicted"] > 0.5) is is_high and p["predicted"] != 0.5] for is_high in (False, True)
    ]
    said = [
        f"where {percent(point['predicted'])} was stated ({counted(point['n'], 'knee')}), it was there in "
        f"{percent(point['observed'])}"
        for half in halves
        if half
        for point in (max(half, key=lambda item: item["n"] or 0),)
    ]
    if not said:
        return ""
    return f"{audit.wording.word('forecast', forecast)}: {'; '.join(said)}."


def _verdict(found: Mapping[tuple[str, str], Mapping[str, Any]], forecast: str) -> str:
    """Whether the numbers were too high, too low, too bold or too timid beyond what chance explains."""
    level, spread = found[forecast, "intercept"], found[forecast, "slope"]
    faults = [
        words
        for row, null, below, above in (
            (level, 0.0, "too high on the whole", "too low on the whole"),
            (spread, 1.0, "too bold, too near 0% and 100%", "too timid, too near the middle"),
        )
        for words in (_side(row, null, below, above),)
        if words
    ]
    if not faults:
        return "The numbers were not shown to be too high or too low, too bold or too timid."
    return f"The numbers were {listed(faults)}, beyond what chance explains."


def _side(row: Mapping[str, Any], null: float, below: str, above: str) -> str:
    """Which words apply where the limits leave out the null value; empty where they hold it or there are none."""
    if row["ci_high"] is not None and row["ci_high"] < null:
        return below
    return above if row["ci_low"] is not None and row["ci_low"] > null else ""


def _measures_table(audit: Audit, condition: Condition, measures: pl.DataFrame, drawn: Sequence[str]) -> str:
    found = {(row["forecast"], row["measure"]): row for row in measures.iter_rows(named=True)}
    rows = [
        {"measure": f"{audit.wording.word('score', measure)}\n{audit.wording.word('score_meaning', measure)}"}
        | {forecast: _measure(found[forecast, measure]) for forecast in drawn}
        for measure in _MEASURES
    ]
    sizes = {item: found[item, "brier"] for item in drawn}
    columns = (
        Column("measure", "Measure"),
        *(
            Column(
                item, f"{audit.wording.word('forecast', item)}\n{row['events']} of {counted(row['n'], 'knee')} with it"
            )
            for item, row in sizes.items()
        ),
    )
    caption = f"{condition.name}: how well stated probabilities agree with what was found"
    shown = ("forecast", "measure", "estimate", "ci_low", "ci_high", "n", "events", "expected_by_chance")
    text = table(pl.DataFrame(rows), columns, caption=caption)
    return text + download(measures.select(shown), f"calibration-measures-{condition.code}")


def _measure(row: Mapping[str, Any]) -> str:
    """A cell: the value, its limits, and the value expected by chance where it exceeds 0 by chance."""
    write, write_range = (percent, percent_range) if row["measure"] in _IN_PERCENT else (score, score_range)
    lines = [write(row["estimate"]), write_range(row["ci_low"], row["ci_high"])]
    if row["expected_by_chance"] is not None:
        lines.append(f"by chance {write(row['expected_by_chance'])}")
    return "\n".join(lines)


def _lacking(audit: Audit, forecast: str, measures: pl.DataFrame) -> str:
    notes = measures.filter(forecast=forecast)["note"].drop_nulls()
    reason = notes[0] if notes.len() else "Too few to say."
    return f"{audit.wording.word('forecast', forecast)}: {reason}"


def _curves(rows: pl.DataFrame) -> Curves:
    curves: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for row in rows.drop_nulls("predicted").iter_rows(named=True):
        curves.setdefault((row["forecast"], row["curve"]), []).append(row)
    return curves

"""Stated probabilities against who has the condition: shares of knees by what was stated, and the verdict in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import polars as pl
from matplotlib.axes import Axes

from examtally.contracts.catalogue.clinical import Condition
from examtally.plots.look import GREY, PRESENT, RULE, bare, style
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.aims import LEADING, fold
from examtally.reporting.engine.figures import WIDTH, paper, publish
from examtally.reporting.engine.numbers import (
    FEWEST,
    coefficient,
    counted,
    listed,
    part_of,
    percent,
    percent_range,
    score,
    score_range,
    share_of,
)
from examtally.reporting.engine.tables import Column, download, table

_HEIGHT = 2.6
_SIDE = 1.72  # inches, of each square plot
_LARGEST = 120  # square points, of the disc of the number stated most
_DRAWN = 5  # knees given a number, from which it is drawn
_MEASURES = ("slope", "intercept", "brier", "auc")
_EDGES = (0.0, 0.1, 0.5, 0.9, 1.01)
_BANDS = {
    0.0: "Below 10%",
    0.1: "10–49%",
    0.5: "50–89%",
    0.9: "90% or more",
}
_VERDICTS = {
    "overconfident": "**Overconfident:** the numbers lie too near 0% and 100%.",
    "underconfident": "**Underconfident:** the numbers lie too near the middle.",
}
_NEITHER = "Neither over- nor underconfidence shows beyond chance."
_OPEN = "Too few to judge over- or underconfidence."


def section(audit: Audit) -> str:
    """Every condition with a stated probability, or the sentence that there is none."""
    blocks = [block for condition in audit.settled if (block := calibration_block(audit, condition))]
    if not blocks:
        return "No probability has been stated of «a noun» with follow-up complete yet."
    return "\n\n".join([LEADING, *blocks])


def calibration_block(audit: Audit, condition: Condition) -> str:
    """Picture, sentences, shares and measures of one condition, or what is missing."""
    measures, points = rows_of(audit, condition)
    if measures.is_empty() or not measures["n"].sum():
        return ""
    forecasts = list(dict.fromkeys(measures["forecast"]))
    shown = [item for item in forecasts if shares(points, item) and _is_enough(audit, measures, item)]
    parts = [f"### {condition.name} {{#stated_{condition.code}}}"]
    if shown:
        parts += [
            *(f"{audit.wording.word('forecast', item)}: {told(measures, points, item)}" for item in shown),
            _figure(audit, condition, shown, points),
            _shares_table(audit, condition, shown, points),
            fold("Slope, scores and discrimination", _measures_table(audit, condition, measures, shown)),
        ]
    parts += [_lacking(audit, item, measures) for item in forecasts if item not in shown]
    return "\n\n".join(part.strip("\n") for part in parts)


def rows_of(
    audit: Audit, condition: Condition, group_by: str = "overall", group: str = "all"
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Measures, and counts by stated number, of what examiners of a group stated; all examined knees."""
    measures, points = (
        audit.table(name).filter(
            pl.col("forecast").str.starts_with("examiner_"),
            condition=condition.code,
            group_by=group_by,
            group=group,
            adjustment="bias_adjusted",
        )
        for name in ("calibration", "calibration_curve")
    )
    return measures, points.filter(curve="counts").drop_nulls(["predicted", "expected"])


def shares(points: pl.DataFrame, forecast: str) -> dict[float, tuple[int, int]]:
    """By the lower edge of a band of stated numbers: how many knees are expected to have the condition, of how many."""
    rows = points.filter(forecast=forecast)
    found = {}
    for low, high in pairwise(_EDGES):
        inside = rows.filter(pl.col("predicted") >= low, pl.col("predicted") < high)
        if inside["n"].sum():
            found[low] = (round(inside["expected"].sum()), int(inside["n"].sum()))
    return found


def told(measures: pl.DataFrame, points: pl.DataFrame, forecast: str) -> str:
    """Shares of knees at the low and the high end, and the verdict."""
    found = shares(points, forecast)
    said = [
        f"of {counted(whole, '«noun»')} put {words}, about {part_of(part, whole)} have it"
        for edge, words in ((0.0, "below 10%"), (0.9, "at 90% or more"))
        if edge in found
        for part, whole in (found[edge],)
    ]
    return f"{'; '.join(said)}. {verdict(measures, forecast)}" if said else verdict(measures, forecast)


def verdict(measures: pl.DataFrame, forecast: str) -> str:
    """What the analysis says of the slope, and whether the numbers are too high or too low on the whole."""
    found = {row["measure"]: row for row in measures.filter(forecast=forecast).iter_rows(named=True)}
    slope, level = found.get("slope", {}), found.get("intercept", {})
    is_judged = slope.get("ci_low") is not None and slope.get("ci_high") is not None
    said = [_VERDICTS.get(slope.get("verdict", ""), _NEITHER if is_judged else _OPEN)]
    if level.get("ci_high") is not None and level["ci_high"] < 0:
        said.append("On the whole the numbers are too high.")
    elif level.get("ci_low") is not None and level["ci_low"] > 0:
        said.append("On the whole the numbers are too low.")
    return " ".join(said)


def _is_enough(audit: Audit, measures: pl.DataFrame, forecast: str) -> bool:
    rows = measures.filter(forecast=forecast)
    return bool(rows["participants"].max() >= audit.min_participants) and bool(rows["estimate"].count())  # type: ignore[operator]


def _figure(audit: Audit, condition: Condition, shown: Sequence[str], points: pl.DataFrame) -> str:
    with style():
        figure = paper(_HEIGHT)
        for index, forecast in enumerate(shown):
            box = (0.095 + 0.47 * index, 0.2, _SIDE / WIDTH, _SIDE / _HEIGHT)
            _draw(bare(figure.add_axes(box)), points.filter(forecast=forecast), with_scale=index == 0)
            figure.text(box[0], 0.93, audit.wording.word("forecast", forecast), fontsize=9.5, fontweight="bold")
        figure.text(0.5, 0.03, "Stated probability", ha="center", fontsize=9, color=GREY)
        said = " ".join(
            f"{audit.wording.word('forecast', item)}: "
            f"{listed([f'{_BANDS[low]}, {share_of(*pair)}' for low, pair in shares(points, item).items()])}."
            for item in shown
        )
        return publish(
            figure,
            f"calibration-{condition.code}",
            caption=(
                f"{condition.name}: share expected to have it against the stated probability, a disc the larger "
                f"the more «nouns», with its 95% interval; numbers stated of {_DRAWN} «nouns» or more. On the "
                "diagonal, what was stated is what is there."
            ),
            alt=f"Calibration plots for {condition.name}, «nouns» with the condition by stated probability. {said}",
            data=points.select("forecast", "predicted", "observed", "band_low", "band_high", "n", "expected"),
        )


def _draw(axes: Axes, rows: pl.DataFrame, *, with_scale: bool) -> None:
    axes.set_xlim(-0.04, 1.04)
    axes.set_ylim(-0.04, 1.04)
    axes.set_xticks([0, 0.5, 1], ["0", "50", "100%"], fontsize=9)
    axes.set_yticks([0, 0.5, 1], ["0", "50", "100%"] if with_scale else ["", "", ""], fontsize=9)
    axes.plot([0, 1], [0, 1], color=RULE, linewidth=0.8)
    rows = rows.filter(pl.col("n") >= _DRAWN)
    if rows.is_empty():
        return
    x, y = rows["predicted"].to_numpy(), (rows["expected"] / rows["n"]).to_numpy()
    axes.vlines(x, rows["band_low"].to_numpy(), rows["band_high"].to_numpy(), color=GREY, linewidth=0.7)
    sizes = rows["n"].to_numpy() / rows["n"].to_numpy().max() * _LARGEST
    axes.scatter(x, y, s=sizes.clip(6), color=PRESENT, zorder=3, linewidths=0)


def _shares_table(audit: Audit, condition: Condition, shown: Sequence[str], points: pl.DataFrame) -> str:
    rows = [{"forecast": audit.wording.word("forecast", item)} | band_cells(shares(points, item)) for item in shown]
    columns = (Column("forecast", "Stated"), *BAND_COLUMNS)
    caption = f"{condition.name}: «nouns» expected to have it, of those given each probability"
    return table(pl.DataFrame(rows), columns, caption=caption)


BAND_COLUMNS = tuple(Column(f"band_{low}", words, "Stated probability") for low, words in _BANDS.items())
"""A column for each band of stated numbers."""


def band_cells(found: Mapping[float, tuple[int, int]]) -> dict[str, str]:
    """The share of knees with the condition in each band, with the counts beneath; counts alone where there are few."""
    cells = {}
    for low in _BANDS:
        part, whole = found.get(low, (0, 0))
        share = f"{percent(part / whole)}\n" if whole >= FEWEST else ""
        cells[f"band_{low}"] = f"{share}{part} / {whole}" if whole else "none"
    return cells


def _measures_table(audit: Audit, condition: Condition, measures: pl.DataFrame, shown: Sequence[str]) -> str:
    found = {(row["forecast"], row["measure"]): row for row in measures.iter_rows(named=True)}
    rows = [
        {"measure": f"{audit.wording.word('score', measure)}\n{audit.wording.word('score_meaning', measure)}"}
        | {item: _measure(found[item, measure]) for item in shown}
        for measure in _MEASURES
        if all((item, measure) in found for item in shown)
    ]
    columns = (
        Column("measure", "Measure"),
        *(Column(item, audit.wording.word("forecast", item)) for item in shown),
    )
    caption = f"{condition.name}: how well stated probabilities agree with who has it"
    kept = ("forecast", "measure", "estimate", "ci_low", "ci_high", "n", "events", "verdict")
    text = table(pl.DataFrame(rows), columns, caption=caption)
    return text + download(measures.select(kept), f"calibration-measures-{condition.code}")


def _measure(row: Mapping[str, Any]) -> str:
    """A cell: the value and its limits."""
    low, high = row["ci_low"], row["ci_high"]
    if row["measure"] == "auc":
        return f"{percent(row['estimate'])}\n{percent_range(low, high)}"
    if row["measure"] == "brier":
        return f"{score(row['estimate'])}\n{score_range(low, high)}"
    limits = "" if low is None or high is None else f"{coefficient(low)} to {coefficient(high)}"
    return f"{coefficient(row['estimate'])}\n{limits}"


def _lacking(audit: Audit, forecast: str, measures: pl.DataFrame) -> str:
    notes = measures.filter(forecast=forecast)["note"].drop_nulls()
    reason = notes[0] if notes.len() else "Too few to say."
    return f"{audit.wording.word('forecast', forecast)}: {reason}"

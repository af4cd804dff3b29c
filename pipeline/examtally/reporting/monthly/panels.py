"""The charts, one panel an indicator: points by period, the usual value, limits; open periods hollow."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
from matplotlib.axes import Axes

from examtally.contracts.periods import place_of
from examtally.plots.look import ABSENT, GREY, PRESENT, RULE, bare, style
from examtally.reporting.engine.figures import paper, publish
from examtally.reporting.engine.numbers import counted
from examtally.reporting.monthly.month import Month
from examtally.reporting.monthly.values import plain, value_of

RECORDS = ("core_complete", "probability_stated", "equivocal", "examiner_blinded", "held_back")
ANSWERS = ("missed_injuries", "verified", "days_to_reference", "yield", "unsuspected_proven")
SHOWN = 36
_HEIGHT = 1.35
_FOOT = 0.45
_FEWEST = 2
_DATA = (
    "period",
    "indicator",
    "group_by",
    "numerator",
    "denominator",
    "value",
    "smoothed",
    "centre",
    "limit_low",
    "limit_high",
)


def panels(month: Month, indicators: Sequence[str], name: str, caption: str) -> str:
    """A figure with a panel for each indicator that has two points; words where none has."""
    held = [(code, rows) for code in indicators if (rows := month.series(code).tail(SHOWN))["value"].count() >= _FEWEST]
    if not held:
        return f"No chart yet: nothing has been counted in two {month.unit}s."
    height = _HEIGHT * len(held) + _FOOT
    figure = paper(height)
    names = {place_of(period): period for _, rows in held for period in rows["period"]}
    for number, (code, rows) in enumerate(held):
        bottom = 1 - (number + 1) * _HEIGHT / height + 0.12 / height
        axes = figure.add_axes((0.11, bottom, 0.86, (_HEIGHT - 0.5) / height))
        with style():
            _draw(axes, rows)
            _frame(axes, rows, names, is_last=number == len(held) - 1)
            axes.set_title(_title(month, code), loc="left", fontsize=9, fontweight="bold", pad=3)
            axes.set_title(_newest(rows), loc="right", fontsize=9, pad=3, color=GREY)
    data = pl.concat([rows.select(*_DATA, "mature", "signal", "rule", "chart") for _, rows in held])
    alt = " ".join(_spoken(month, code, rows) for code, rows in held)
    return publish(figure, name, caption=caption, alt=alt, data=data)


def legend(month: Month) -> str:
    """How the points and lines are read."""
    return (
        f"Filled: {month.unit}s whose results are in. Hollow: still open, results still coming; they never signal. "
        "Thin line: the usual value, of the first twelve. Thick line: the moving average of what came after. Broken "
        "lines: its limits. A diamond signals."
    )


def _draw(axes: Axes, rows: pl.DataFrame) -> None:
    """Centre, limits and points."""
    where = np.array([place_of(period) for period in rows["period"]])
    values = rows["value"].cast(pl.Float64).to_numpy()
    for column, line in (("centre", "-"), ("limit_low", (0, (3, 2))), ("limit_high", (0, (3, 2)))):
        edge = rows[column].cast(pl.Float64).to_numpy()
        axes.step(where, edge, where="mid", color=GREY, linewidth=0.8, linestyle=line)
    axes.plot(where, values, color=RULE, linewidth=0.8, zorder=1)
    axes.plot(where, rows["smoothed"].cast(pl.Float64).to_numpy(), color=PRESENT, linewidth=1.8, zorder=2)
    mature, signal = rows["mature"].to_numpy(), rows["signal"].to_numpy()
    axes.plot(where[mature & ~signal], values[mature & ~signal], "o", color=PRESENT, markersize=4)
    axes.plot(where[~mature], values[~mature], "o", markerfacecolor="white", color=PRESENT, markersize=4.5)
    axes.plot(where[signal], values[signal], "D", color=ABSENT, markersize=6)


def _frame(axes: Axes, rows: pl.DataFrame, names: dict[int, str], *, is_last: bool) -> None:
    """The ends of the scale in figures, and the periods under the last panel."""
    bare(axes)
    low, high = axes.get_ylim()
    axes.set_ylim(low, high)
    axes.set_yticks([low, high], [_tick(rows, low), _tick(rows, high)], fontsize=9)
    axes.set_xlim(min(names) - 0.7, max(names) + 0.7)
    ticks = sorted({min(names), max(names), sorted(names)[len(names) // 2]})
    axes.set_xticks(ticks, [names[tick] if is_last else "" for tick in ticks], fontsize=9)


def _newest(rows: pl.DataFrame) -> str:
    """The newest mature point and the usual value, in a few figures."""
    mature = rows.filter(pl.col("mature") & pl.col("value").is_not_null())
    if mature.is_empty():
        return ""
    row = mature.row(-1, named=True)
    usual = f", usually {plain(row, row['centre'])}" if row["centre"] else ""
    return f"{row['period']}: {plain(row, row['value'])}{usual}"


def _tick(rows: pl.DataFrame, value: float) -> str:
    row = rows.row(-1, named=True)
    if row["indicator"] == "days_to_reference":
        return f"{value:.0f}"
    share = 100 * min(1.0, max(0.0, value))
    return f"{share:.0f}%" if share >= 2 or not share else f"{share:.1g}%"


def _title(month: Month, code: str) -> str:
    return f"{month.indicator(code)}{', median days' if code == 'days_to_reference' else ''}"


def _spoken(month: Month, code: str, rows: pl.DataFrame) -> str:
    points = counted(rows["value"].count(), "point")
    mature = rows.filter(pl.col("mature") & pl.col("value").is_not_null())
    text = f"{_title(month, code)}: {points}, {counted(rows.filter(~pl.col('mature')).height, 'period')} still open"
    if mature.is_empty():
        return f"{text}."
    last = mature.row(-1, named=True)
    usual = f", usually {plain(last, last['centre'])}" if last["centre"] is not None else ", no limits yet"
    signals = rows.filter("signal")["period"].to_list()
    said = f"; signals: {', '.join(signals)}" if signals else "; no signal"
    return f"{text}; newest mature {last['period']}: {value_of(last)}{usual}{said}."

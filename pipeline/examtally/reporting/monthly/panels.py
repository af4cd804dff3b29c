"""The charts, a panel an indicator: points by period, the usual value, limits; periods still open are hollow."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

import numpy as np
import polars as pl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from examtally.contracts.periods import place_of
from examtally.plots.look import ABSENT, GREY, INK, PRESENT, RULE, bare, style
from examtally.reporting.engine.figures import paper, publish
from examtally.reporting.engine.numbers import counted
from examtally.reporting.monthly.month import Month, plain, value_of

RECORDS = ("core_complete", "probability_stated", "equivocal", "examiner_blinded", "held_back")
ANSWERS = ("verified", "days_to_reference", "yield", "unsuspected_proven")
MISSED = ("missed_injuries",)
SHOWN = 36
_WIDE, _NARROW = 6.5, 3.4
_ROW = 1.0  # inches a panel
_FOOT = 0.25
_FEWEST = 2
_DATA = (
    "period",
    "indicator",
    "group_by",
    "numerator",
    "denominator",
    "value",
    "expected",
    "smoothed",
    "centre",
    "limit_low",
    "limit_high",
)
Held = Sequence[tuple[str, pl.DataFrame]]


def panels(month: Month, indicators: Sequence[str], name: str, caption: str) -> str:
    """A figure with a panel for each indicator that has two points; words where none has."""
    held = [(code, rows) for code in indicators if (rows := month.series(code).tail(SHOWN))["value"].count() >= _FEWEST]
    if not held:
        return f"No chart yet: nothing has been counted in two {month.unit}s."
    data = pl.concat([rows.select(*_DATA, "mature", "signal", "rule", "chart") for _, rows in held])
    alt = " ".join(_spoken(month, code, rows) for code, rows in held)
    return publish(
        _sheet(month, held, _WIDE, min(2, len(held))),
        name,
        caption=caption,
        alt=alt,
        data=data,
        narrow=_sheet(month, held, _NARROW, 1),
    )


def _sheet(month: Month, held: Held, width: float, columns: int) -> Figure:
    """The panels in so many columns, with the periods under each."""
    lines = ceil(len(held) / columns)
    height = (_ROW + _FOOT) * lines
    figure = paper(height, width)
    names = {place_of(period): period for _, rows in held for period in rows["period"]}
    wide = width / columns
    for number, (code, rows) in enumerate(held):
        line, column = divmod(number, columns)
        bottom = height - (line + 1) * (_ROW + _FOOT) + _FOOT
        left = column * wide + 0.42
        box = (left / width, bottom / height, (wide - 0.62) / width, (_ROW - 0.48) / height)
        with style():
            axes = figure.add_axes(box)
            _draw(axes, rows)
            _mark(axes, month, names)
            _frame(axes, rows, names)
            top = (bottom + _ROW - 0.14) / height
            figure.text((left - 0.4) / width, top, _title(month, code), fontsize=9.5, fontweight="bold")
            figure.text((left - 0.4) / width, top - 0.17 / height, _newest(rows), fontsize=9, color=GREY)
    return figure


def legend(month: Month) -> str:
    """How the points and lines are read."""
    return (
        "Filled: follow-up complete; hollow: still open. Lines: the usual value, of the first twelve (thin), the "
        "moving average after them (thick), its limits (broken). Diamond: a signal. Scales differ and need not begin "
        "at 0." + _marked(month)
    )


def _marked(month: Month) -> str:
    """What the upright dotted lines stand for; nothing where there are none."""
    titles = [f"{one.title} ({one.period})" for one in month.audit.protocol.interventions]
    return f" Upright dotted line: {'; '.join(titles)}." if titles else ""


def missed_legend(month: Month) -> str:
    """How the chart of missed injuries is read."""
    return (
        "Of core conditions called unlikely and then verified, the share that the test showed. Cross: with its "
        f"expected reading errors taken off. Disc: as read; hollow while follow-up of the {month.unit} is open."
        + _marked(month)
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
    axes.plot(where[mature & ~signal], values[mature & ~signal], "o", color=PRESENT, markersize=4, clip_on=False)
    (hollow,) = axes.plot(where[~mature], values[~mature], "o", color=PRESENT, markersize=4.5, clip_on=False)
    hollow.set_markerfacecolor("white")
    axes.plot(where[signal], values[signal], "D", color=ABSENT, markersize=6)
    kept = (rows["expected"] / rows["denominator"]).cast(pl.Float64).to_numpy()
    axes.plot(where, kept, "x", color=INK, markersize=5, clip_on=False)


def _mark(axes: Axes, month: Month, names: dict[int, str]) -> None:
    """An upright dotted line where an intervention begins."""
    for one in month.audit.protocol.interventions:
        if min(names) < place_of(one.period) <= max(names):
            axes.axvline(place_of(one.period) - 0.5, color=INK, linewidth=1.0, linestyle=(0, (1, 2)))


def _frame(axes: Axes, rows: pl.DataFrame, names: dict[int, str]) -> None:
    """The ends of the scale in figures, and the first and last period beneath."""
    bare(axes)
    low, high = axes.get_ylim()
    low = 0.0 if rows["indicator"][0] != "days_to_reference" and low < high / 2 else low
    axes.set_ylim(low, high)
    axes.set_yticks([low, high], [_tick(rows, low), _tick(rows, high)], fontsize=9)
    axes.set_xlim(min(names) - 0.7, max(names) + 0.7)
    ticks = sorted({min(names), max(names)})
    axes.set_xticks(ticks, [names[tick] for tick in ticks], fontsize=9)


def _newest(rows: pl.DataFrame) -> str:
    """The most recent point with follow-up complete and the usual value, in a few figures."""
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
    still = counted(rows.filter(~pl.col("mature")).height, month.unit)
    text = f"{_title(month, code)}: {points}, {still} still open"
    if mature.is_empty():
        return f"{text}."
    last = mature.row(-1, named=True)
    usual = f", usually {plain(last, last['centre'])}" if last["centre"] is not None else ", no limits yet"
    signals = rows.filter("signal")["period"].to_list()
    said = f"; signals: {', '.join(signals)}" if signals else "; no signal"
    return f"{text}; most recent with follow-up complete {last['period']}: {value_of(last)}{usual}{said}."

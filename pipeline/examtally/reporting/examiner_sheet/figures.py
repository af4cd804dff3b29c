"""Own figures beside those of the others: one picture and one table."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import polars as pl
from matplotlib.axes import Axes

from examtally.plots.look import GREY, INK, style
from examtally.reporting.audit.forest import SIDES, two_sides
from examtally.reporting.audit.shrinkage import FEWEST, OWN_FROM
from examtally.reporting.engine.figures import publish
from examtally.reporting.engine.numbers import counted, percent, percent_range
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.examiner_sheet.sheet import FEWEST_OTHERS, Own, Sheet

_ROW = 0.6  # inches a row
_MANY = 100
_HAVING = {"sensitivity": "with", "specificity": "without"}
_COLUMNS = (
    Column("measure", "Figure"),
    Column("raw", "Yours, as counted"),
    Column("pooled", "Yours, pooled"),
    Column("others", "The others"),
    Column("chance", "By chance alone"),
)


def own_figures(sheet: Sheet) -> str:
    """The picture, and the numbers with what chance alone would do."""
    if not sheet.own:
        return "No core finding of yours belongs to a knee whose answer is known yet."
    pairs = [list(items) for _, items in groupby(sheet.own, key=lambda own: (own.condition.code, own.maneuver.code))]
    return "\n\n".join([_figure(pairs), "\n".join(f"- {_chance(pair)}" for pair in pairs), _table(sheet)])


def _figure(pairs: Sequence[Sequence[Own]]) -> str:
    with style():
        figure, both = two_sides([pair[0].maneuver.name for pair in pairs], _ROW, named_at=0.2, size=9.5)
        for axes, (measure, _, colour, marker) in zip(both, SIDES, strict=True):
            for place, pair in enumerate(pairs):
                _draw(axes, place + 0.62, next(own for own in pair if own.measure == measure), colour, marker)
        return publish(
            figure,
            "own",
            caption=(
                "Yours as counted (grey ring) and pooled (colour), each with its interval; hollow with fewer than "
                f"{OWN_FROM} people behind it, when it is mostly the group's figure; no pooled mark with fewer than "
                f"{FEWEST}. Counts alone where there are too few. Upright line: the others together, at least "
                f"{FEWEST_OTHERS} of them."
            ),
            alt="Your figures beside those of the others: "
            + "; ".join(_said(own) for pair in pairs for own in pair)
            + ".",
            data=_data([own for pair in pairs for own in pair]),
        )


def _draw(axes: Axes, mark: float, own: Own, colour: str, marker: str) -> None:
    raw, pooled = own.shrunk.raw, own.shrunk.pooled
    if own.others is not None and own.others.value is not None:
        axes.plot([own.others.value] * 2, [mark - 0.3, mark + 0.3], color=INK, linewidth=1.6)
    if raw.is_usable and raw.value is not None:
        if raw.low is not None and raw.high is not None:
            axes.plot([raw.low, raw.high], [mark - 0.13] * 2, color=GREY, linewidth=1.0)
        axes.plot([raw.value], [mark - 0.13], "o", color=GREY, markerfacecolor="white", markersize=5, clip_on=False)
        axes.text(1.06, mark - 0.13, raw.number, va="center", ha="left", fontsize=9, color=GREY)
    elif raw.n:
        axes.text(1.06, mark - 0.13, raw.counts, va="center", ha="left", fontsize=9, color=GREY)
    if own.shrunk.is_given and pooled.value is not None:
        if pooled.low is not None and pooled.high is not None:
            axes.plot([pooled.low, pooled.high], [mark + 0.14] * 2, color=colour, linewidth=2)
        face = "white" if own.shrunk.is_of_the_group else colour
        axes.plot(
            [pooled.value], [mark + 0.14], marker, color=colour, markerfacecolor=face, markersize=6, clip_on=False
        )
        axes.text(1.06, mark + 0.16, pooled.number, va="center", ha="left", fontsize=9.5, color=colour)


def _table(sheet: Sheet) -> str:
    rows = [
        {
            "what": f"{own.maneuver.name}, {inside_sentence(own.condition.name)}",
            "measure": own.measure.capitalize(),
            "raw": own.shrunk.raw.cell,
            "pooled": own.shrunk.cell,
            "others": own.others.pair if own.others is not None else f"fewer than {FEWEST_OTHERS} others",
            "chance": percent_range(*own.chance) if own.chance is not None else "",
        }
        for own in sheet.own
        if own.shrunk.raw.n
    ]
    return table(pl.DataFrame(rows), _COLUMNS, caption="Your figures, and what chance alone would do", group="what")


def _chance(pair: Sequence[Own]) -> str:
    """How far chance alone would move the figures of one maneuver, and how many knees stand behind them."""
    said = []
    for own in pair:
        if own.chance is not None:
            few = " with so few," if own.shrunk.raw.n < _MANY else ""
            low, high = map(percent, own.chance)
            knees = f"{counted(own.shrunk.raw.n, 'proven knee')} of yours {_HAVING[own.measure]} the condition"
            said.append(f"{knees};{few} chance alone would move {own.measure} from {low} to {high}")
    name = f"**{pair[0].maneuver.name}**, {inside_sentence(pair[0].condition.name)}"
    return f"{name}: {'. '.join(said)}." if said else f"{name}: too few others to say what chance would do."


def _said(own: Own) -> str:
    others = f", the others {own.others.spoken}" if own.others is not None else ""
    return f"{own.maneuver.name} {own.measure} {own.shrunk.spoken}{others}"


def _data(owns: Sequence[Own]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "condition": own.condition.code,
                "maneuver": own.maneuver.code,
                "measure": own.measure,
                "events": own.shrunk.raw.events,
                "n": own.shrunk.raw.n,
                "as_counted": own.shrunk.raw.value if own.shrunk.raw.shown else None,
                "pooled": own.shrunk.pooled.value if own.shrunk.is_given else None,
                "pooled_interval": percent_range(own.shrunk.pooled.low, own.shrunk.pooled.high)
                if own.shrunk.is_given
                else None,
                "others": own.others.value if own.others is not None and own.others.shown else None,
            }
            for own in owns
        ],
        infer_schema_length=None,
    )

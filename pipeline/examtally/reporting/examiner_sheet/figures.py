"""Own figures beside those of the others: one picture and one table."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import polars as pl
from matplotlib.axes import Axes

from examtally.plots.look import GREY, INK, style
from examtally.reporting.audit.forest import SIDES, two_sides
from examtally.reporting.audit.shrinkage import FEWEST, OWN_FROM
from examtally.reporting.engine.aims import fold, told
from examtally.reporting.engine.figures import publish
from examtally.reporting.engine.numbers import percent, percent_range
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.examiner_sheet.sheet import FEWEST_OTHERS, Own, Sheet

_ROW = 0.38  # inches a row
_COLUMNS = (
    Column("measure", "Figure"),
    Column("pooled", "Yours, pooled"),
    Column("middle", "The others\nmedian, pooled"),
    Column("raw", "Yours", "Verified «nouns» only"),
    Column("others", "The others", "Verified «nouns» only"),
    Column("chance", "By chance alone", "Verified «nouns» only"),
)


def own_figures(sheet: Sheet) -> str:
    """The picture, and under a fold the numbers with what chance alone would do."""
    if not sheet.own:
        return "No core finding of yours belongs to a verified «noun» yet."
    pairs = [list(items) for _, items in groupby(sheet.own, key=lambda own: (own.condition.code, own.maneuver.code))]
    return "\n\n".join([_figure(pairs), fold("The same in numbers, and what chance alone would do", _table(sheet))])


def _figure(pairs: Sequence[Sequence[Own]]) -> str:
    with style():
        figure, both = two_sides([pair[0].maneuver.name for pair in pairs], _ROW, named_at=0.25, size=9.5)
        for axes, (measure, _, colour, marker) in zip(both, SIDES, strict=True):
            for place, pair in enumerate(pairs):
                _draw(axes, place + 0.7, next(own for own in pair if own.measure == measure), colour, marker)
        return publish(
            figure,
            "own",
            caption=(
                f"Yours, pooled, with its interval; hollow with fewer than {OWN_FROM} patients behind it, when it is "
                f"mostly the group's figure; no mark with fewer than {FEWEST}. Upright line: the middle one of the "
                f"others, at least {FEWEST_OTHERS} of them."
            ),
            alt="Your figures beside those of the others: "
            + "; ".join(_said(own) for pair in pairs for own in pair)
            + ".",
            data=_data([own for pair in pairs for own in pair]),
        )


def _draw(axes: Axes, mark: float, own: Own, colour: str, marker: str) -> None:
    pooled = own.shrunk.pooled
    if own.middle is not None:
        axes.plot([own.middle] * 2, [mark - 0.2, mark + 0.2], color=INK, linewidth=1.6)
    if not own.shrunk.is_given or pooled.value is None:
        is_low = own.middle is not None and own.middle < 0.5  # the words stand clear of the line of the others
        place, side = (0.98, "right") if is_low else (0.02, "left")
        axes.text(place, mark, "too few", va="center", ha=side, fontsize=9, color=GREY)
        return
    if pooled.low is not None and pooled.high is not None:
        axes.plot([pooled.low, pooled.high], [mark] * 2, color=colour, linewidth=2)
    face = "white" if own.shrunk.is_of_the_group else colour
    axes.plot([pooled.value], [mark], marker, color=colour, markerfacecolor=face, markersize=6, clip_on=False)
    axes.text(1.06, mark, pooled.number, va="center", ha="left", fontsize=9.5, color=colour)


def _table(sheet: Sheet) -> str:
    rows = [
        {
            "what": f"{own.maneuver.name}, {inside_sentence(own.condition.name)}",
            "measure": own.measure.capitalize(),
            "pooled": own.shrunk.cell,
            "middle": percent(own.middle) if own.middle is not None else f"fewer than {FEWEST_OTHERS} others",
            "raw": own.shrunk.raw.cell,
            "others": own.others.pair if own.others is not None else f"fewer than {FEWEST_OTHERS} others",
            "chance": percent_range(*own.chance) if own.chance is not None else "",
        }
        for own in sheet.own
        if own.shrunk.raw.n
    ]
    caption = "Your figures, and where chance alone would carry a figure of so few «nouns»"
    return f"{told(['none'])}\n{table(pl.DataFrame(rows), _COLUMNS, caption=caption, group='what')}"


def _said(own: Own) -> str:
    own_words = own.shrunk.pooled.spoken if own.shrunk.is_given else "too few"
    others = f", the others {percent(own.middle)}" if own.middle is not None else ""
    return f"{own.maneuver.name} {own.measure} {own_words}{others}"


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
                "others_median": own.middle,
            }
            for own in owns
        ],
        infer_schema_length=None,
    )

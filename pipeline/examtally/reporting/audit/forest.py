"""Forest plots: sensitivity and specificity side by side, a row a maneuver or an examiner."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from examtally.plots.look import ABSENT, BAND, GREY, PRESENT, RULE, bare, percent_axis, style
from examtally.reporting.engine.estimate import Estimate, Span
from examtally.reporting.engine.figures import paper, publish

SIDES = (("sensitivity", "Sensitivity", PRESENT, "o"), ("specificity", "Specificity", ABSENT, "s"))
"""Measure, title, colour and mark of each side."""

_HEAD, _FOOT = 0.42, 0.32  # inches above and beneath the rows


def two_sides(
    names: Sequence[str], row: float, *, named_at: float, size: float = 10, width: float = 0.385
) -> tuple[Figure, tuple[Axes, Axes]]:
    """An empty frame, `row` inches a name: row n lies between n and n + 1 of both axes, its name at n + `named_at`.

    `width` is that of each scale as a share of the paper; the rest is for the numbers beside it.
    """
    height = _HEAD + _FOOT + row * len(names)
    figure = paper(height)
    both = []
    for index, (_, title, *_) in enumerate(SIDES):
        box = (0.01 + 0.5 * index, _FOOT / height, width, (height - _HEAD - _FOOT) / height)
        axes = bare(figure.add_axes(box))
        percent_axis(axes, title=title)
        axes.set_ylim(len(names), 0)
        axes.set_yticks([])
        both.append(axes)
    for place, name in enumerate(names):
        both[0].text(-0.02, place + named_at, name, va="center", ha="left", fontsize=size)
    return figure, (both[0], both[1])


_ROW = 0.46  # inches a row: the name, and the mark beneath it


@dataclass(frozen=True)
class Row:
    """One row: its name, both estimates and a faint band behind each (lowest, highest), None where there is none.

    The band is what was published, or where a new examiner would be expected.
    """

    name: str
    sensitivity: Estimate
    specificity: Estimate
    published_sensitivity: Span | None = None
    published_specificity: Span | None = None

    def estimate(self, measure: str) -> Estimate:
        """The estimate of one side."""
        return self.sensitivity if measure == "sensitivity" else self.specificity

    def published(self, measure: str) -> Span | None:
        """What was published of one side."""
        return self.published_sensitivity if measure == "sensitivity" else self.published_specificity


def forest(rows: Sequence[Row], name: str, *, caption: str, alt: str) -> str:
    """Draw one row each, both sides on one scale, and return the Markdown that shows the figure.

    A row with too few participants has its counts written out and no mark. Published ranges are faint bands.
    """
    with style():
        figure, both = two_sides([row.name for row in rows], _ROW, named_at=0.28)
        for axes, (measure, _, colour, marker) in zip(both, SIDES, strict=True):
            for place, row in enumerate(rows):
                _draw(axes, place, row, measure, colour, marker)
        return publish(figure, name, caption=caption, alt=alt, data=_data(rows))


def _draw(axes: Axes, place: int, row: Row, measure: str, colour: str, marker: str) -> None:
    estimate = row.estimate(measure)
    mark = place + 0.7
    published = row.published(measure)
    if published is not None:
        low, high = published
        axes.barh(mark, max(high - low, 0.006), left=low, height=0.36, color=BAND, edgecolor=RULE, linewidth=0.5)
    if not estimate.is_usable or estimate.value is None:
        words = f"{estimate.counts}, too few" if estimate.n else "none yet"
        axes.text(0.5, mark, words, va="center", ha="center", fontsize=9, color=GREY)
        return
    if estimate.low is not None and estimate.high is not None:
        axes.plot([estimate.low, estimate.high], [mark, mark], color=colour, linewidth=1.8, solid_capstyle="butt")
    face = colour if marker == "o" else "white"
    axes.plot([estimate.value], [mark], marker, color=colour, markerfacecolor=face, markersize=6, clip_on=False)
    axes.text(1.06, mark, estimate.number, va="center", ha="left", fontsize=9.5, color=colour)


def _data(rows: Sequence[Row]) -> pl.DataFrame:
    """The figures behind the plot, one line a row and side; what is not shown is left empty, its counts kept."""
    return pl.DataFrame(
        [
            {
                "row": row.name,
                "measure": measure,
                "estimate": estimate.value if estimate.shown else None,
                "ci_low": estimate.low if estimate.shown else None,
                "ci_high": estimate.high if estimate.shown else None,
                "events": estimate.events,
                "n": estimate.n,
                "participants": estimate.participants,
                "band_low": band[0] if band else None,
                "band_high": band[1] if band else None,
            }
            for row in rows
            for measure, *_ in SIDES
            for estimate, band in ((row.estimate(measure), row.published(measure)),)
        ],
        schema_overrides=dict.fromkeys(("estimate", "ci_low", "ci_high", "band_low", "band_high"), pl.Float64),
    )

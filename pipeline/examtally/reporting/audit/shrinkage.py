"""Raw and pooled side by side: each examiner's own figure, and what is left of it once chance is taken out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl
from matplotlib.axes import Axes

from examtally.plots.look import BAND, GREY, style
from examtally.reporting.audit.between_examiner_variation import Side
from examtally.reporting.audit.forest import SIDES, two_sides
from examtally.reporting.engine.estimate import Estimate
from examtally.reporting.engine.figures import publish

FEWEST, OWN_FROM = 3, 10
"""Participants below which nobody gets a pooled figure, and below which it is mostly the group's."""

_ROW = 0.56  # inches a row


@dataclass(frozen=True)
class Shrunk:
    """One measure of one examiner or site: as counted, and pooled."""

    raw: Estimate
    pooled: Estimate

    @property
    def is_given(self) -> bool:
        """Whether there is a pooled figure to show."""
        return self.pooled.is_usable and self.pooled.participants >= FEWEST

    @property
    def is_of_the_group(self) -> bool:
        """Whether the pooled figure is mostly the group's."""
        return self.is_given and self.pooled.participants < OWN_FROM

    @property
    def cell(self) -> str:
        """The pooled figure in a table."""
        if not self.is_given:
            return "too few" if self.raw.n else "–"
        return f"{self.pooled.number}\nmostly the group's" if self.is_of_the_group else self.pooled.pair

    @property
    def spoken(self) -> str:
        """Both for an alternative text."""
        if not self.is_given:
            return f"{self.raw.spoken}, pooled none"
        mostly = ", mostly the group's figure" if self.is_of_the_group else ""
        return f"{self.raw.spoken}, pooled {self.pooled.spoken}{mostly}"


@dataclass(frozen=True)
class Pair:
    """One examiner or site by the name to show, with both measures."""

    name: str
    sensitivity: Shrunk
    specificity: Shrunk

    def side(self, measure: str) -> Shrunk:
        """One measure."""
        return self.sensitivity if measure == "sensitivity" else self.specificity


def shrinkage(rows: Sequence[Pair], group: Sequence[Side | None], name: str, *, caption: str, alt: str) -> str:
    """Draw a row each in the order given: above an open ring for the own figure, beneath it a full mark for the pooled.

    `group` has sensitivity and specificity of all: a line at the mean, and a band where a new one would be expected.
    """
    with style():
        figure, both = two_sides([row.name for row in rows], _ROW, named_at=0.22)
        for axes, side, (measure, _, colour, marker) in zip(both, group, SIDES, strict=True):
            _draw_group(axes, side)
            for place, row in enumerate(rows):
                _draw_raw(axes, place + 0.5, row.side(measure).raw)
                _draw_pooled(axes, place + 0.78, row.side(measure), colour, marker)
        return publish(figure, name, caption=caption, alt=alt, data=_data(rows))


def _draw_group(axes: Axes, side: Side | None) -> None:
    if side is None or side.mean.value is None:
        return
    if side.new is not None:
        axes.axvspan(*side.new, color=BAND, linewidth=0, zorder=0)
    axes.axvline(side.mean.value, color=GREY, linewidth=0.8, linestyle=(0, (3, 3)), zorder=0.5)


def _draw_raw(axes: Axes, mark: float, raw: Estimate) -> None:
    if not raw.is_usable or raw.value is None:
        words = f"{raw.counts}, too few" if raw.n else "none yet"
        axes.text(0.0, mark, words, va="center", ha="left", fontsize=9, color=GREY)
        return
    if raw.low is not None and raw.high is not None:
        axes.plot([raw.low, raw.high], [mark, mark], color=GREY, linewidth=1.0, solid_capstyle="butt")
    axes.plot([raw.value], [mark], "o", color=GREY, markerfacecolor="white", markersize=5, clip_on=False)
    axes.text(1.06, mark, raw.number, va="center", ha="left", fontsize=9, color=GREY)


def _draw_pooled(axes: Axes, mark: float, side: Shrunk, colour: str, marker: str) -> None:
    pooled = side.pooled
    if not side.is_given or pooled.value is None:
        return
    strength = 0.55 if side.is_of_the_group else 1.0
    if pooled.low is not None and pooled.high is not None:
        span, width = [pooled.low, pooled.high], 1.0 if side.is_of_the_group else 2.2
        axes.plot(span, [mark, mark], color=colour, linewidth=width, alpha=strength, solid_capstyle="butt")
    face = "white" if side.is_of_the_group else colour
    axes.plot([pooled.value], [mark], marker, color=colour, markerfacecolor=face, markersize=6, clip_on=False)
    axes.text(1.06, mark, pooled.number, va="center", ha="left", fontsize=9.5, color=colour)


def _data(rows: Sequence[Pair]) -> pl.DataFrame:
    """The figures behind the plot; those that are not shown are left empty, counts kept."""
    return pl.DataFrame(
        [
            {
                "row": row.name,
                "measure": measure,
                "raw": raw.value if raw.shown else None,
                "raw_low": raw.low if raw.shown else None,
                "raw_high": raw.high if raw.shown else None,
                "events": raw.events,
                "n": raw.n,
                "participants": raw.participants,
                "pooled": pooled.value if side.is_given else None,
                "pooled_low": pooled.low if side.is_given else None,
                "pooled_high": pooled.high if side.is_given else None,
            }
            for row in rows
            for measure, *_ in SIDES
            for side in (row.side(measure),)
            for raw, pooled in ((side.raw, side.pooled),)
        ],
        schema_overrides=dict.fromkeys(
            ("raw", "raw_low", "raw_high", "pooled", "pooled_low", "pooled_high"), pl.Float64
        ),
    )

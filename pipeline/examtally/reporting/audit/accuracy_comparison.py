"""One figure several ways: in known knees, corrected, allowing for the reference, and what is possible at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl
from matplotlib.axes import Axes

from examtally.contracts.catalogue.clinical import Condition, Maneuver
from examtally.plots.look import GREY, RULE, style
from examtally.reporting.audit.audit import BOTH, Audit
from examtally.reporting.audit.forest import SIDES, two_sides
from examtally.reporting.engine.estimate import Estimate, Span
from examtally.reporting.engine.figures import publish
from examtally.reporting.engine.numbers import DASH, percent_range

_LINE = 0.2  # inches a line; a row is the name and three marks beneath it, or four, one a line


@dataclass(frozen=True)
class AccuracyComparison:
    """Sensitivity or specificity of one maneuver: in known knees, corrected, allowing for errors of the reference too,
    and the bounds; None without bounds.
    """

    seen: Estimate
    corrected: Estimate
    reference_corrected: Estimate
    bounds: Span | None

    @classmethod
    def of(cls, audit: Audit, condition: str, maneuver: str, measure: str) -> AccuracyComparison:
        """Read the three from the results."""
        pair = condition, maneuver, measure
        return cls(audit.estimate(*pair), audit.corrected(*pair), audit.reference_corrected(*pair), audit.bounds(*pair))

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to draw beside the figure in known knees."""
        return not self.corrected.is_usable and self.bounds is None

    @property
    def is_only_bounded(self) -> bool:
        """Whether bounds stand alone where a corrected figure would be."""
        return self.bounds is not None and not self.corrected.is_usable

    @property
    def span(self) -> str:
        """The bounds as a reader sees them."""
        return percent_range(*self.bounds) if self.bounds is not None else DASH

    @property
    def spoken(self) -> str:
        """All of them for an alternative text."""
        corrected = f"corrected {self.corrected.number}" if self.corrected.is_usable else "not corrected"
        reference = (
            f", {self.reference_corrected.number} allowing for the reference"
            if self.reference_corrected.is_usable
            else ""
        )
        return f"{self.seen.spoken}, {corrected}{reference}, bounds {self.span}"


@dataclass(frozen=True)
class ManeuverLine:
    """A maneuver with both of its figures."""

    maneuver: Maneuver
    sensitivity: AccuracyComparison
    specificity: AccuracyComparison

    @classmethod
    def of(cls, audit: Audit, condition: Condition, maneuver: Maneuver) -> ManeuverLine:
        """Read both figures from the results."""
        return cls(
            maneuver, *(AccuracyComparison.of(audit, condition.code, maneuver.code, measure) for measure in BOTH)
        )

    @property
    def name(self) -> str:
        """The maneuver by name."""
        return self.maneuver.name

    @property
    def sides(self) -> tuple[AccuracyComparison, AccuracyComparison]:
        """Sensitivity, then specificity."""
        return self.sensitivity, self.specificity

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to draw beside the figures in known knees."""
        return all(side.is_empty for side in self.sides)

    @property
    def has_reference_corrected(self) -> bool:
        """Whether a figure allows for the errors of the reference."""
        return any(side.reference_corrected.is_usable for side in self.sides)


def accuracy_comparison(lines: Sequence[ManeuverLine], name: str, *, caption: str, alt: str) -> str:
    """Draw a maneuver a row, both sides on one scale, and return the Markdown that shows the figure."""
    marks = 4 if any(line.has_reference_corrected for line in lines) else 3
    names = [line.name for line in lines]
    with style():
        figure, both = two_sides(names, _LINE * (1 + marks), named_at=_at(0, 0, marks), width=0.365)
        for index, (axes, (_, _, colour, _)) in enumerate(zip(both, SIDES, strict=True)):
            for place, line in enumerate(lines):
                _draw(axes, place, marks, line.sides[index], colour)
        return publish(figure, name, caption=caption, alt=alt, data=_data(lines))


def _at(place: int, line: int, marks: int) -> float:
    """Height of a line within the row of one maneuver: its name, then its marks."""
    return place + (line + 0.6) / (marks + 1.2)


def _draw(axes: Axes, place: int, marks: int, side: AccuracyComparison, colour: str) -> None:
    if side.is_empty and not side.seen.is_usable:
        words = f"{side.seen.counts}, too few" if side.seen.n else "none yet"
        axes.text(0.5, _at(place, 2, marks), words, va="center", ha="center", fontsize=9, color=GREY)
        return
    _mark(axes, _at(place, 1, marks), side.seen, GREY, "o", "white")
    _mark(axes, _at(place, 2, marks), side.corrected, colour, "D", colour)
    _mark(axes, _at(place, 3, marks), side.reference_corrected, colour, "^", "white")
    if side.bounds is not None:
        low, high = side.bounds
        line = _at(place, marks, marks)
        axes.barh(line, max(high - low, 0.006), left=low, height=0.07, color=RULE, edgecolor=GREY, linewidth=0.5)
        _number(axes, line, side.span, GREY)


def _mark(axes: Axes, line: float, estimate: Estimate, colour: str, marker: str, face: str) -> None:
    if not estimate.is_usable or estimate.value is None:
        return
    if estimate.low is not None and estimate.high is not None:
        axes.plot([estimate.low, estimate.high], [line, line], color=colour, linewidth=1.4, solid_capstyle="butt")
    axes.plot([estimate.value], [line], marker, color=colour, markerfacecolor=face, markersize=5.5, clip_on=False)
    _number(axes, line, estimate.number, colour)


def _number(axes: Axes, line: float, text: str, colour: str) -> None:
    axes.text(1.06, line, text, va="center", ha="left", fontsize=8.5, color=colour)


def _data(lines: Sequence[ManeuverLine]) -> pl.DataFrame:
    """The figures behind the picture, one line a maneuver and side; what is not shown is left empty."""
    rows = []
    for line in lines:
        for measure, side in zip(BOTH, line.sides, strict=True):
            row: dict[str, str | float | None] = {"maneuver": line.name, "measure": measure}
            for kind, estimate in (
                ("seen", side.seen),
                ("corrected", side.corrected),
                ("allowing", side.reference_corrected),
            ):
                values = (estimate.value, estimate.low, estimate.high) if estimate.shown else (None, None, None)
                row |= dict(zip((kind, f"{kind}_low", f"{kind}_high"), values, strict=True))
            row["lower_bound"], row["upper_bound"] = side.bounds or (None, None)
            rows.append(row)
    return pl.DataFrame(rows, infer_schema_length=None)

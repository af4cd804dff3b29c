"""Forest, calibration and difference plots from the declared tables; what is too few to show is not drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from matplotlib.axes import Axes

from examtally.contracts.contract import Contract
from examtally.errors import ResultsError
from examtally.plots.look import ABSENT, BAND, GREY, PRESENT, RULE, bare, percent_axis, style

_DIFFERENCES = ("comparisons", "interactions")
_SIDES = (("sensitivity", PRESENT, "o", PRESENT, -0.14), ("specificity", ABSENT, "s", "white", 0.14))
_ROW = 0.5  # inches a maneuver
_WIDTH = 6.0
Row = Mapping[str, Any]


@dataclass(frozen=True)
class Plots:
    """The figures of an analysis, as `results.plot`; each draws on `axes`, or on a new figure, and returns the axes.

    They show what the tables hold and compute nothing. A figure from fewer than `least` participants is not drawn.
    """

    tables: Mapping[str, pl.DataFrame] = field(repr=False)
    contract: Contract = field(repr=False)
    least: int

    def forest(
        self, condition: str, *, group_by: str = "overall", group: str = "all", axes: Axes | None = None
    ) -> Axes:
        """Sensitivity (filled discs) and specificity (open squares) of each maneuver for `condition`, with intervals.

        `condition` is a code of the catalog such as "acl_tear"; `group_by` and `group` name one group of the table
        `accuracy`, from which every figure is read as it stands there, uncorrected. Maneuvers with too few verified
        participants have their counts written out. Raises ResultsError where the table holds none of that.

            axes = results.plot.forest("acl_tear")
            axes.figure.savefig("forest.png")
        """
        rows = self._rows("accuracy", condition, group_by=group_by, group=group).filter(
            pl.col("measure").is_in([measure for measure, *_ in _SIDES]), adjustment="none"
        )
        maneuvers = [code for code in self.contract.catalogue.maneuvers if code in set(rows["maneuver"])]
        maneuvers += sorted(set(rows["maneuver"]) - set(maneuvers))  # the tests that a study composes
        found = {(row["maneuver"], row["measure"]): row for row in rows.iter_rows(named=True)}
        with style():
            axes = bare(axes if axes is not None else _new_axes(_WIDTH, 1.1 + _ROW * len(maneuvers)))
            percent_axis(axes, title=self._name(condition))
            axes.set_ylim(len(maneuvers) - 0.5, -0.5)
            axes.set_yticks(range(len(maneuvers)), [self._test(code) for code in maneuvers])
            for place, code in enumerate(maneuvers):
                for measure, color, marker, face, off in _SIDES:
                    _mark(axes, place + off, found.get((code, measure)), color, marker, face)
            axes.set_xlabel("filled disc: sensitivity; open square: specificity", fontsize=9)
        return axes

    def calibration(self, condition: str, *, forecast: str = "examiner_after_exam", axes: Axes | None = None) -> Axes:
        """Share of knees with `condition` against the stated probability, with the band of chance, of everybody.

        `forecast` says whose probability: examiner_after_history, examiner_after_exam, model_history or model_exam.
        The points are the isotonic curve of the table `calibration_curve`. On the diagonal, what was stated is what
        was found. Raises ResultsError where the table holds none of that condition and forecast.

            before, after = plt.subplots(ncols=2)[1]
            results.plot.calibration("acl_tear", forecast="examiner_after_history", axes=before)
            results.plot.calibration("acl_tear", axes=after)
        """
        everybody = {"group_by": "overall", "group": "all", "forecast": forecast}
        points = self._rows("calibration_curve", condition, **everybody).filter(curve="isotonic")
        measures = self._rows("calibration", condition, **everybody)
        is_few = measures.filter(pl.col("participants") < self.least).height > 0
        shown = [] if is_few else list(points.drop_nulls("predicted").iter_rows(named=True))
        with style():
            axes = bare(axes if axes is not None else _new_axes(3.6, 3.6))
            plot_curve(axes, shown, self._name(condition))
            axes.set_xticks([0, 0.5, 1], ["0", "50", "100%"])
            axes.set_ylabel("found", fontsize=9)
            axes.set_xlabel(f"stated: {forecast.replace('_', ' ')}", fontsize=9)
        return axes

    def difference(self, measure: str = "sensitivity", *, axes: Axes | None = None) -> Axes:
        """Differences of `measure` between two tests of everybody, and between groups, in percentage points.

        A row of the tables `comparisons` and `interactions` each, with its interval: filled discs bias-adjusted, open
        ones otherwise. Raises ResultsError where the tables hold no difference of that measure.

            found.plot.difference("specificity")
        """
        rows = [row for name in _DIFFERENCES for row in self._differences(name, measure)]
        if not rows:
            raise ResultsError(f"measure: no difference of {measure} is in these results; name one that was compared")
        with style():
            axes = bare(axes if axes is not None else _new_axes(_WIDTH, 1.1 + _ROW * len(rows)))
            axes.axvline(0, color=GREY, linewidth=1)
            axes.set_ylim(len(rows) - 0.5, -0.5)
            axes.set_yticks(range(len(rows)), [self._compared(row) for row in rows])
            for place, row in enumerate(rows):
                _mark_difference(axes, place, row, self.least)
            axes.set_xlabel(f"difference in {measure.replace('_', ' ')}, percentage points", fontsize=9)
        return axes

    def _differences(self, table: str, measure: str) -> list[Row]:
        frame = self.tables.get(table)
        if frame is None:
            return []
        rows = frame.filter(measure=measure)
        if table == "comparisons":
            rows = rows.filter(contrast="difference", group_by="overall")
        return list(rows.iter_rows(named=True))

    def _compared(self, row: Row) -> str:
        """What is taken from what, and how it was made."""
        if "maneuver_a" in row:
            what = f"{self._test(row['maneuver_a'])} − {self._test(row['maneuver_b'])}"
        else:
            what = f"{row['group_a'].replace('_', ' ')} − {row['group_b'].replace('_', ' ')}"
        return f"{what}\n{row['adjustment'].replace('_', '-').replace('none', 'verified only')}"

    def _rows(self, table: str, condition: str, **equal: str) -> pl.DataFrame:
        """The rows of a table about a condition; ResultsError with the legal set where there are none."""
        if table not in self.tables:
            raise ResultsError(f"these results were made without the table {table}; analyze again with it")
        frame = self.tables[table]
        if condition not in set(frame["condition"]):
            raise ResultsError(f"condition: {table} has no such code; use one of {_legal(frame, 'condition')}")
        frame = frame.filter(condition=condition)
        for column, value in equal.items():
            if value not in set(frame[column]):
                raise ResultsError(f"{column}: {table} has no such code here; use one of {_legal(frame, column)}")
            frame = frame.filter(pl.col(column) == value)
        return frame

    def _name(self, condition: str) -> str:
        known = self.contract.catalogue.conditions.get(condition)
        return known.name if known is not None else condition

    def _test(self, maneuver: str) -> str:
        known = self.contract.catalogue.maneuvers.get(maneuver)
        return known.name if known is not None else maneuver.replace("_", " ")


def plot_curve(axes: Axes, points: Sequence[Row], name: str, *, with_scale: bool = True) -> None:
    """Draw one calibration curve with its band on a unit square, or that there are too few for one."""
    ticks = [0, 0.5, 1]
    axes.set_xlim(-0.03, 1.03)
    axes.set_ylim(-0.03, 1.03)
    axes.set_xticks(ticks, [""] * 3)
    axes.set_yticks(ticks, ["0", "50", "100%"] if with_scale else [""] * 3, fontsize=9, color=GREY)
    axes.set_title(name, loc="left", fontsize=10, fontweight="bold")
    axes.plot([0, 1], [0, 1], color=RULE, linewidth=1)
    if not points:
        axes.text(0.5, 0.5, "too few for a curve", ha="center", fontsize=9, color=GREY)
        return
    stated, low, high, observed = (
        np.array([point[key] for point in points], dtype=float)
        for key in ("predicted", "band_low", "band_high", "observed")
    )
    axes.fill_between(stated, low, high, color=BAND, linewidth=0)
    axes.plot(stated, observed, color=PRESENT, linewidth=1.4, marker="o", markersize=3.5)


def _mark(axes: Axes, height: float, row: Row | None, color: str, marker: str, face: str) -> None:
    """One estimate with its interval, or in words why there is none to see."""
    if row is None or row["display"] != "estimate" or row["estimate"] is None:
        words = f"{row['events']} of {row['n']}, too few" if row is not None and row["n"] else "none yet"
        axes.text(0.5, height, words, va="center", ha="center", fontsize=8, color=color)
        return
    if row["ci_low"] is not None and row["ci_high"] is not None:
        axes.plot([row["ci_low"], row["ci_high"]], [height, height], color=color, linewidth=1.8)
    axes.plot([row["estimate"]], [height], marker, color=color, markerfacecolor=face, markersize=6, clip_on=False)
    axes.text(1.05, height, f"{row['estimate']:.0%}", va="center", fontsize=9, color=color)


def _mark_difference(axes: Axes, height: float, row: Row, least: int) -> None:
    """One difference with its interval, or in words why there is none to see."""
    behind = row["participants"] if "participants" in row else min(row["n_a"], row["n_b"])
    if row["difference"] is None or row["flag"] in ("too_few", "withheld") or behind < least:
        axes.text(0, height, "too few", va="center", ha="center", fontsize=8, color=GREY)
        return
    if row["ci_low"] is not None and row["ci_high"] is not None:
        axes.plot([100 * row["ci_low"], 100 * row["ci_high"]], [height, height], color=PRESENT, linewidth=1.8)
    face = PRESENT if row["adjustment"] == "bias_adjusted" else "white"
    axes.plot([100 * row["difference"]], [height], "o", color=PRESENT, markerfacecolor=face, markersize=6)


def _new_axes(width: float, height: float) -> Axes:
    """Axes of a new figure that a notebook shows by itself."""
    from matplotlib import pyplot

    return pyplot.subplots(figsize=(width, height), layout="constrained")[1]


def _legal(frame: pl.DataFrame, column: str) -> str:
    return ", ".join(frame[column].cast(pl.String()).unique(maintain_order=True)) or "none: it is empty"

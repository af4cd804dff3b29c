"""A learner's progress on one maneuver, knees with the condition above those without: up is towards the target."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from examtally.plots.look import ABSENT, BAND, GREY, PRESENT, RULE, bare, style
from examtally.reporting.engine.figures import paper, publish
from examtally.reporting.engine.numbers import counted, percent, share_of
from examtally.reporting.engine.wording import inside_sentence

NOT_THE_TRUTH = "The supervisor is not the truth."
AGAINST = {"reference": "the reference", "supervisor": "a supervisor's own finding"}
_HEAD, _PANEL, _FOOT = 0.65, 2.0, 0.3
_STANDING = {
    "too_few": "too few cases on a side to judge",
    "not_yet": "target not reached on both sides yet",
    "reached": "target reached on both sides",
    "left": "one side may have left its target",
    "no_limit": "no target can be judged with so few planned cases",
}
_FLOOR = 2.0  # height of an axis without a limit, in score, at least
_DATA = ("outcome_side", "sequence", "period", "rule", "score", "limit", "state", "share_signalled", "failures")


@dataclass(frozen=True, eq=False)
class LearningChart:
    """One side of the charts of a learner: its rows in order of cases, with the names to show a reader.

    `rows` are those of one learner, maneuver, condition, outcome and side; at least one. `condition` is empty where the
    chart speaks of none.
    """

    who: str
    maneuver: str
    condition: str
    rows: pl.DataFrame

    @property
    def what(self) -> str:
        """Maneuver and condition."""
        return f"{self.maneuver}, {inside_sentence(self.condition)}" if self.condition else self.maneuver

    @property
    def cases(self) -> int:
        """How many cases there are."""
        return self.rows.height

    @property
    def differed(self) -> int:
        """How many of them differed."""
        return int(self.last["failures"])

    @cached_property
    def last(self) -> dict[str, Any]:
        """The row of the last case."""
        return self.rows.row(-1, named=True)

    @property
    def side(self) -> str:
        """Which knees these are."""
        is_there = self.last["outcome_side"] == "present"
        if self.is_by_supervisor:
            return "Supervisor positive" if is_there else "Supervisor negative"
        return "«Nouns» with the condition" if is_there else "«Nouns» without it"

    @property
    def target(self) -> str:
        """The share of findings that may differ."""
        return f"target: at most {percent(self.last['p_acceptable'])} differ"

    @property
    def against(self) -> str:
        """What the findings are held against."""
        return AGAINST[self.last["outcome"]]

    @property
    def is_by_supervisor(self) -> bool:
        """Whether they are held against a supervisor."""
        return bool(self.last["outcome"] == "supervisor")

    @property
    def counts(self) -> str:
        """How many differed of how many."""
        return share_of(self.differed, self.cases)

    @cached_property
    def turns(self) -> list[tuple[str, int]]:
        """The states reached and left, with the case of each."""
        return self.rows.filter(pl.col("state").is_in(["reached", "left"])).select("state", "sequence").rows()

    @property
    def progress_text(self) -> str:
        """Where the learner stands, as it stands in a sentence."""
        if self.rows["limit"].is_null().all():
            return "no limit for so few planned cases"
        words = {"reached": "this side's target reached at case {}", "left": "signal at case {} that it may be left"}
        return (
            ", ".join(words[state].format(case) for state, case in self.turns) or "this side's target not reached yet"
        )

    @property
    def orders(self) -> str:
        """How far the unknown order within periods matters, where it does."""
        share = float(self.last["share_signalled"])
        if self.last["state"] not in ("learning", "keeping") or not share:
            return ""
        return f"In {percent(share)} of the possible orders of the cases the limit would have been reached by now."

    @property
    def short(self) -> str:
        """How many findings disagreed on this side, and how many may."""
        return f"{self.side.lower()}, {self.counts} disagreed (target: at most {percent(self.last['p_acceptable'])})"

    @property
    def sentence(self) -> str:
        """The chart in a sentence or two."""
        orders = f" {self.orders}" if self.orders else ""
        counts = f"{self.counts} findings disagreed with {self.against}"
        return f"{self.side}: {counts}; {self.target}; {self.progress_text}.{orders}"


def learning_chart(sides: Sequence[LearningChart], name: str) -> str:
    """Draw the sides of one learner's chart and return the Markdown that shows them, with alternative text and data.

    The limits stand on it with their exact chances of a false and of a true signal over the planned cases; where there
    is none, the reason does. Raises ReportError where a side has no case.
    """
    first = sides[0]
    height = _HEAD + _PANEL * len(sides) + _FOOT
    with style():
        figure = paper(height)
        for number, chart in enumerate(sides):
            bottom = _FOOT + _PANEL * (len(sides) - 1 - number)
            axes = bare(figure.add_axes((0.02, (bottom + 0.2) / height, 0.96, (_PANEL - 0.55) / height)), keep="left")
            _frame(axes, chart)
            for stage in _stages(chart.rows):
                _draw(axes, stage)
            _limits(axes, chart)
            figure.text(0.02, (bottom + _PANEL - 0.25) / height, f"{chart.side}; {chart.target}", fontsize=9)
        figure.text(0.02, 1 - 0.2 / height, f"{first.who}: {first.maneuver}", fontsize=10, fontweight="bold")
        figure.text(0.02, 1 - 0.42 / height, _held(first).replace(". ", ".\n"), fontsize=9, color=GREY, va="center")
        figure.text(0.5, 0.05 / height, "Case", fontsize=9, color=GREY, ha="center")
        said = [chart.sentence for chart in sides]
        truth = [NOT_THE_TRUTH] if first.is_by_supervisor else []
        return publish(
            figure,
            name,
            caption=" ".join([f"{first.who}: {first.what}; {standing(sides)}.", *said, *truth]),
            alt=" ".join([f"{first.who}, {first.what}; {standing(sides)}.", *map(_alt, sides), *truth]),
            data=pl.concat([chart.rows.select(_DATA) for chart in sides]),
        )


def standing(sides: Sequence[LearningChart]) -> str:
    """Where the learner stands by both sides, in words; a side without a case makes it too few."""
    latest = max(sides, key=lambda chart: str(chart.last["period"]))
    return _STANDING[latest.last["standing"]]


def _held(chart: LearningChart) -> str:
    """What the findings are held against, as it stands on the chart."""
    if chart.is_by_supervisor:
        return f"Compared with {chart.against}. {NOT_THE_TRUTH}"
    return f"{chart.condition}, verified «nouns»"


def _frame(axes: Axes, chart: LearningChart) -> None:
    limits = [value for value in (_limit(chart, "lc_cusum"), _limit(chart, "cusum")) if value is not None]
    highest = max([*limits, float(chart.rows["score"].to_numpy().max()), _FLOOR])
    has_kept = "cusum" in chart.rows["rule"]
    axes.set_xlim(0, max(chart.cases, 10) * 1.02)
    axes.set_ylim(-1.3 * highest if has_kept else -0.06 * highest, 1.3 * highest)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.axhline(0, color=RULE, linewidth=0.8)
    axes.tick_params(axis="x", length=0)
    axes.xaxis.set_major_locator(MaxNLocator(6, integer=True))
    axes.grid(axis="x", color=BAND, linewidth=0.8)
    axes.set_axisbelow(True)


def _stages(rows: pl.DataFrame) -> list[pl.DataFrame]:
    """The runs of rows between signals."""
    ends = (rows["state"].is_in(["reached", "left"])).arg_true().to_list()
    bounds = [0, *(end + 1 for end in ends), rows.height]
    return [rows.slice(start, end - start) for start, end in pairwise(bounds) if end > start]


def _draw(axes: Axes, stage: pl.DataFrame) -> None:
    """One stage: learning climbs from the line, keeping falls from it; a dot where a period ends."""
    is_keeping = stage["rule"][0] == "cusum"
    colour, sign = (ABSENT, -1) if is_keeping else (PRESENT, 1)
    cases, score = stage["sequence"].to_numpy(), sign * stage["score"].to_numpy()
    axes.plot(np.r_[cases[0] - 1, cases], np.r_[0.0, score], color=colour, linewidth=1.5)
    is_end = (stage["period"] != stage["period"].shift(-1)).fill_null(value=True).to_numpy()
    axes.plot(cases[is_end], score[is_end], "s" if is_keeping else "o", color=colour, markersize=3.5)
    if stage["state"][-1] in ("reached", "left"):
        axes.plot([cases[-1]], [score[-1]], "o", color=colour, markerfacecolor="white", markersize=8)


def _limits(axes: Axes, chart: LearningChart) -> None:
    """The limits with their chances on them, or why there are none."""
    rules = [("lc_cusum", PRESENT, 1, "Target reached")]
    if "cusum" in chart.rows["rule"]:
        rules.append(("cusum", ABSENT, -1, "Target perhaps left"))
    for rule, colour, sign, words in rules:
        limit, row = _limit(chart, rule), _row(chart, rule)
        top = axes.get_ylim()[1] / 1.3
        place = sign * (top if limit is None else limit)
        if limit is not None:
            axes.axhline(place, color=colour, linewidth=1, linestyle=(0, (4, 2)))
        text = f"{words}: {_chances(row)}" if limit is not None else f"No limit: {_chances(row)}"
        axes.text(0.0, place + sign * 0.05 * top, text, va="bottom" if sign > 0 else "top", fontsize=8.5, color=colour)


def _chances(row: dict[str, Any]) -> str:
    if row["true_signal"] is None:
        return "its chances cannot be worked out"
    said = f"false signal {percent(row['false_signal'])}, true {percent(row['true_signal'])}"
    return f"{said}, in {counted(row['planned'], 'case')}"


def _row(chart: LearningChart, rule: str) -> dict[str, Any]:
    return chart.rows.filter(rule=rule).row(0, named=True) if rule in chart.rows["rule"] else chart.last


def _limit(chart: LearningChart, rule: str) -> float | None:
    values: Sequence[float] = chart.rows.filter(rule=rule)["limit"].drop_nulls().to_list()
    return values[0] if values else None


def _alt(chart: LearningChart) -> str:
    limit = chart.last["limit"]
    of = f" of {limit:.1f}" if limit is not None else ""
    return (
        f"{counted(chart.cases, 'case')}. {chart.sentence} "
        f"The score stands at {chart.last['score']:.1f}{of}; {_chances(chart.last)}."
    )

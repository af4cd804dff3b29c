"""The nine measures of accuracy of every 2x2 table at once, each with its interval."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from examtally.analytics.diagnostic_accuracy import likelihood_ratios as ratios
from examtally.analytics.diagnostic_accuracy import proportions
from examtally.analytics.diagnostic_accuracy.clustering import CELLS
from examtally.analytics.diagnostic_accuracy.predictive_values import predictive_value
from examtally.analytics.diagnostic_accuracy.two_by_two import DENOMINATORS, Effective, TwoByTwo
from examtally.analytics.intervals import BoolArray, FloatArray, Interval, TextArray
from examtally.contracts.protocol.estimates import Intervals

# What is counted, and the knees it is a share of.
PROPORTIONS: Mapping[str, tuple[tuple[str, ...], str]] = MappingProxyType(
    {
        "prevalence": (("tp", "fn"), "all"),
        "sensitivity": (("tp",), "present"),
        "specificity": (("tn",), "absent"),
        "ppv": (("tp",), "positive"),
        "npv": (("tn",), "negative"),
        "accuracy": (("tp", "tn"), "all"),
    }
)
# The findings a ratio speaks of.
RATIO_EVENTS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {"lr_positive": ("tp", "fp"), "lr_negative": ("fn", "tn"), "diagnostic_odds_ratio": ("tp", "fp")}
)
_NOTHING = 1e-9  # share of the variance for independent knees below which a clustered variance is rounding
_RATIO_BEHIND: Mapping[str, str] = MappingProxyType({"ppv": "lr_positive", "npv": "lr_negative"})


@dataclass(frozen=True)
class Figures:
    """One measure of every table: (rows,) arrays, NaN where it cannot be estimated, infinite where it is unbounded.

    `denominator` is that of the counts, `interval` names the method, "none" where there is no limit; `has_half` marks
    rows with 0.5 added to each cell.
    """

    measure: str
    denominator: str
    estimate: FloatArray
    limits: Interval
    interval: TextArray
    n: FloatArray
    events: FloatArray
    participants: FloatArray
    effective: Effective
    is_new_examiners: BoolArray
    has_half: BoolArray

    @property
    def spans_both(self) -> bool:
        """Whether it compares knees with and without the condition, as a ratio does."""
        return self.measure not in PROPORTIONS or PROPORTIONS[self.measure][1] != self.denominator


def proportion(table: TwoByTwo, measure: str, choice: Intervals) -> Figures:
    """Share of events among the denominator, with the interval `choice.proportion` names, on the effective size.

    Source: the interval's own, see `proportions`; Rao & Scott 1992 and Korn & Graubard 1998 for the effective size.
    """
    events, denominator = PROPORTIONS[measure]
    x, n = table.count(events), table.count(DENOMINATORS[denominator])
    effective = table.effective(events, denominator, choice.level)
    with np.errstate(invalid="ignore"):
        estimate = x / n
    limits = proportions.METHODS[choice.proportion](estimate * effective.n, effective.n, choice.level)
    method = np.full(x.shape, choice.proportion)
    return _figures(table, measure, denominator, estimate, limits, method, x, effective)


def ratio(table: TwoByTwo, measure: str, choice: Intervals) -> Figures:
    """Likelihood or odds ratio, by the score interval or on the log scale.

    Independent knees: `choice.lr`. Clustered ones: log scale with clustered variances; with a zero cell, the score
    interval on effective counts unless a half is added. The odds ratio has only the log interval.

    Source: Koopman 1984; Simel, Samsa & Matchar 1991; see `ratios`.
    """
    clustered = table.is_clustered("all")
    has_zero = (table.cells == 0).any(axis=1)
    with_half = choice.zero_cells == "half" and (choice.lr == "log_delta" or measure == ratios.ODDS_RATIO)
    estimate, variance, effective = _log_scale(table, measure, choice.level, with_half=with_half)
    limits = ratios.log_interval(estimate, variance, table.quantile("all", choice.level))
    method = np.full(estimate.shape, "log_delta")
    if measure in ratios.RATIOS:
        by_score = np.where(clustered, has_zero & (not with_half), choice.lr == "score")
        counts = np.where(clustered[:, None], table.effective_cells(choice.level), table.cells)
        score = ratios.score_interval(*ratios.sides(measure, counts), choice.level)
        limits = Interval(np.where(by_score, score.low, limits.low), np.where(by_score, score.high, limits.high))
        method = np.where(by_score, "score", method)
    events = table.count(RATIO_EVENTS[measure])
    return _figures(table, measure, "all", estimate, limits, method, events, effective, has_zero & with_half)


def predictive(table: TwoByTwo, measure: str, prevalence: FloatArray, choice: Intervals) -> Figures:
    """ppv or npv at another prevalence, (rows,), with its logit interval.

    Source: Mercaldo, Lau & Zhou 2007; see `predictive.predictive_value`.
    """
    behind = _RATIO_BEHIND[measure]
    with_half = choice.zero_cells == "half"
    lr, variance, effective = _log_scale(table, behind, choice.level, with_half=with_half)
    estimate, limits = predictive_value(measure, prevalence, lr, variance, table.quantile("all", choice.level))
    method, events = np.full(estimate.shape, "logit_delta"), table.count(RATIO_EVENTS[behind])
    has_half = (table.cells == 0).any(axis=1) & with_half
    return _figures(table, measure, "all", estimate, limits, method, events, effective, has_half)


def _log_scale(
    table: TwoByTwo, measure: str, level: float, *, with_half: bool
) -> tuple[FloatArray, FloatArray, Effective]:
    """The ratio, the variance of its logarithm and the effective size by that variance; NaN where one side is empty.

    With a zero cell the clustered sum of squares misses what that cell might have held: the variance of independent
    knees is then multiplied by the design effect of the effective counts. A clustered variance of 0 is theirs too.
    """
    counts = ratios.add_half(table.cells) if with_half else table.cells
    n, clustered, has_zero = table.count(CELLS), table.is_clustered("all"), (table.cells == 0).any(axis=1)
    has_both = (table.count(DENOMINATORS["present"]) > 0) & (table.count(DENOMINATORS["absent"]) > 0)
    alone = ratios.log_variance(measure, counts)
    with np.errstate(divide="ignore", invalid="ignore"):
        shrunk = n / table.effective_cells(level).sum(axis=1)
        influence = np.where(has_zero[:, None], 0.0, ratios.influence(measure, table.cells))
        spread = table.variance(influence, "all") / alone
        spread = np.where(spread < _NOTHING, 1.0, spread)
        deff = np.where(clustered, np.where(has_zero, shrunk, spread), np.where(n > 0, 1.0, np.nan))
        variance = alone * deff
    ratio = np.where(has_both, ratios.point(measure, counts), np.nan)
    return ratio, variance, Effective(deff, n / deff, clustered)


def _figures(
    table: TwoByTwo,
    measure: str,
    denominator: str,
    estimate: FloatArray,
    limits: Interval,
    method: TextArray,
    events: FloatArray,
    effective: Effective,
    has_half: BoolArray | None = None,
) -> Figures:
    """Name the interval of each row and add the counts that stand behind it."""
    new = table.is_new_examiners(denominator)
    clustered = np.where(new, "two_way_clustered", np.char.add(method, "_clustered"))
    named = np.where(effective.is_clustered, clustered, method)
    has_limit = np.isfinite(limits.low) | np.isfinite(limits.high)
    return Figures(
        measure=measure,
        denominator=denominator,
        estimate=estimate,
        limits=limits,
        interval=np.where(has_limit, named, "none"),
        n=table.count(DENOMINATORS[denominator]),
        events=events,
        participants=table.participant.count[denominator],
        effective=effective,
        is_new_examiners=new,
        has_half=np.zeros(estimate.shape, dtype=bool) if has_half is None else has_half,
    )

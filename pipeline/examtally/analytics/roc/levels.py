"""Likelihood ratio of each level of a graded finding, and how much one level means against the level before."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from examtally.analytics.diagnostic_accuracy.clustering import CELLS, margin
from examtally.analytics.diagnostic_accuracy.likelihood_ratios import ODDS_RATIO
from examtally.analytics.diagnostic_accuracy.measures import ratio
from examtally.analytics.diagnostic_accuracy.two_by_two import DENOMINATORS, Clusters, TwoByTwo
from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.verification_bias.grouped import Grouped
from examtally.contracts.protocol.estimates import Intervals

_SETS = np.arange(2 ** len(CELLS))


def fourfolds(
    grouped: Grouped, present: BoolArray, rules: Iterable[BoolArray], within: Iterable[BoolArray] | None = None
) -> TwoByTwo:
    """The table of each rule: (n,) whether a knee counts as positive, over the knees of `grouped`.

    `within` names for each rule the knees, (n,), it is judged on; all of them where it is not given.
    """
    cells, products, held = [], [], []
    for rule, kept in zip(rules, within or _always(present), strict=False):
        part = grouped if kept.all() else Grouped.of(grouped.cluster[kept])
        kind = np.where(rule[kept], np.where(present[kept], 0, 1), np.where(present[kept], 2, 3)).astype(np.int64)
        cells.append(part.counts(kind, len(CELLS))[0])
        products.append(part.count_products(kind, len(CELLS))[0])
        held.append(part.held(kind, len(CELLS))[0])
    people = np.array(held).reshape(-1, _SETS.size)
    table = np.array(cells).reshape(-1, len(CELLS))
    unknown = np.full(table.shape[0], np.nan)
    nothing = np.zeros((table.shape[0], len(CELLS), len(CELLS)))
    return TwoByTwo(
        cells=table,
        participant=Clusters(
            np.array(products).reshape(nothing.shape),
            MappingProxyType({name: _participants(people, name) for name in DENOMINATORS}),
        ),
        examiner=Clusters(nothing, MappingProxyType(dict.fromkeys(DENOMINATORS, unknown))),
        both=nothing,
    )


def _participants(people: FloatArray, denominator: str) -> FloatArray:
    """Participants with a knee in a denominator, from those by the set of cells they have knees in."""
    wanted = int((1 << np.flatnonzero(margin(DENOMINATORS[denominator]))).sum())
    return np.asarray(people @ ((_SETS & wanted) > 0).astype(np.float64))


def _always(present: BoolArray) -> Iterable[BoolArray]:
    everybody = np.ones(present.size, dtype=bool)
    while True:
        yield everybody


_CHOICE = Intervals(level=0.95, proportion="wilson", lr="score", zero_cells="none")


@dataclass(frozen=True)
class LevelRatios:
    """One entry a level: knees with and without the condition, the ratio and its limits, NaN where there is none.

    `step` is the ratio over that of the level before, with its limits; NaN for the first level.
    """

    level: FloatArray
    present: FloatArray
    absent: FloatArray
    lr: FloatArray
    low: FloatArray
    high: FloatArray
    step: FloatArray
    step_low: FloatArray
    step_high: FloatArray


def level_ratios(
    level: npt.ArrayLike,
    disease: npt.ArrayLike,
    cluster: npt.ArrayLike | None = None,
    *,
    levels: npt.ArrayLike | None = None,
    choice: Intervals = _CHOICE,
) -> LevelRatios:
    """Likelihood ratio of every level: its share among knees with the condition over that among knees without.

    `level` (n,) holds codes, NaN for not recorded (left out); `disease` (n,) is 0 or 1; `cluster` (n,) names the
    participant, None where each knee is a person of its own; `levels` are the codes in order, those that occur where it
    is not given. A level found in one class only has no ratio (NaN) and one limit. ValueError for arrays that do not
    fit.

    Source: Simel DL, Samsa GP, Matchar DB. J Clin Epidemiol 1993;46:85–93 (levels); intervals as `figures.ratio`:
    Koopman 1984, clustered on the logarithm. The step is the odds ratio of the condition between two levels.

    >>> knees = [45, 5, 15, 15, 2, 18]
    >>> found = level_ratios(np.repeat([0, 0, 1, 1, 2, 2], knees), np.repeat([0, 1] * 3, knees))
    >>> found.lr.round(2).tolist(), found.step.round(1).tolist()
    ([0.18, 1.63, 14.68], [nan, 9.0, 9.0])
    """
    code, status = np.asarray(level, dtype=np.float64), np.asarray(disease, dtype=np.float64)
    who = np.arange(code.size) if cluster is None else np.asarray(cluster)
    if code.ndim != 1 or code.shape != status.shape or code.shape != who.shape or not np.isin(status, (0.0, 1.0)).all():
        raise ValueError("level, disease (0 or 1) and cluster: one of each a knee")
    kept = ~np.isnan(code)
    code, present, grouped = code[kept], status[kept] > 0, Grouped.of(who[kept])
    order = np.unique(code) if levels is None else np.asarray(levels, dtype=np.float64)
    own = [code == value for value in order]
    table = fourfolds(grouped, present, own)
    found = ratio(table, "lr_positive", choice)
    steps = fourfolds(grouped, present, own[1:], [one | other for one, other in zip(own[1:], own, strict=False)])
    step = ratio(steps, ODDS_RATIO, choice)
    limits = [_first_nan(_finite(values)) for values in (step.estimate, step.limits.low, step.limits.high)]
    lr = np.where((table.cells[:, 0] > 0) & (table.cells[:, 1] > 0), found.estimate, np.nan)
    return LevelRatios(
        order, table.cells[:, 0], table.cells[:, 1],
        _finite(lr), np.where(found.limits.low > 0, _finite(found.limits.low), np.nan), _finite(found.limits.high),
        limits[0][: order.size], limits[1][: order.size], limits[2][: order.size],
    )  # fmt: skip


def _finite(values: FloatArray) -> FloatArray:
    return np.where(np.isfinite(values), values, np.nan)


def _first_nan(values: FloatArray) -> FloatArray:
    return np.concatenate([[np.nan], values])

"""Corrected figures of one maneuver and condition as rows of the table `accuracy`."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from examtally.analytics.diagnostic_accuracy.measures import PROPORTIONS
from examtally.analytics.diagnostic_accuracy.notes import Remark, in_words
from examtally.analytics.intervals import FloatArray, TextArray
from examtally.analytics.verification_bias.corrected import (
    MEASURES,
    CorrectedCells,
    correct,
    correct_at,
    is_inside,
)
from examtally.analytics.verification_bias.counts import BOUNDED, KINDS, VerificationCounts
from examtally.analytics.verification_bias.imputation import pool
from examtally.analytics.verification_bias.pair import VERIFIED_NEGATIVE, WITH, WITHOUT, Counted

_ALONE = (
    "Corrected by this maneuver's own finding alone (Begg and Greenes), which can lie further from the truth than the "
    "uncorrected figure where other findings drive imaging."
)
_SIMPLE = "Right only where nothing but this finding decided who was verified."
_EMPTY = "A cell of the verified «nouns» is empty: only bounds can be given."
_OUTSIDE = "The corrected table leaves the range from 0 to 1: only bounds can be given."
_OWN = "Its models are its own, for the shared ones have no room for this maneuver."
_HEAVY_WEIGHT = 20.0


@dataclass(frozen=True)
class Row:
    """One measure of all groups: `values` is (3, groups), estimate and limits, NaN for none; the rest (groups,)."""

    measure: str
    values: FloatArray
    interval: TextArray
    flag: TextArray
    note: TextArray


@dataclass(frozen=True)
class Block:
    """Corrected tables of several groups under one adjustment, with what is to be said of them."""

    adjustment: str
    group_by: str
    groups: TextArray
    table: CorrectedCells
    observed: FloatArray
    interval: tuple[TextArray, TextArray]
    said: tuple[Remark, ...] = ()

    def frame(self, prevalence: float | None, level: float) -> pl.DataFrame:
        """Rows of every measure; predictive values at `prevalence` where the protocol sets one."""
        return rows(self, [self._measure(measure, prevalence, level) for measure in MEASURES])

    def _measure(self, measure: str, prevalence: float | None, level: float) -> Row:
        if prevalence is not None and measure in ("ppv", "npv"):
            found = correct_at(self.table, measure, np.full(self.groups.size, prevalence), level)
        else:
            found = correct(self.table, measure, level)
        seen = is_inside(self.observed, measure)
        usable = seen & np.isfinite(found.estimate)
        has_table = np.isfinite(self.table.cells).all(axis=1)
        said = [
            Remark("zero_cell", _EMPTY, ~seen & has_table),
            Remark("not_estimable", _OUTSIDE, seen & ~usable & has_table),
            *(replace(remark, applies=remark.applies & (usable | ~has_table)) for remark in self.said),
        ]
        flag, note = in_words(said)
        scale = self.interval[0 if measure in PROPORTIONS else 1]
        values = np.where(usable, [found.estimate, found.limits.low, found.limits.high], np.nan)
        return Row(measure, values, np.where(usable, scale, "none"), flag, note)


def rows(block: Block, found: list[Row]) -> pl.DataFrame:
    """Measures one after the other, each of all groups."""
    numbers = np.concatenate([row.values for row in found], axis=1)
    return pl.DataFrame(
        {
            "group_by": np.full(numbers.shape[1], block.group_by),
            "group": np.tile(block.groups, len(found)),
            "adjustment": np.full(numbers.shape[1], block.adjustment),
            "measure": np.repeat([row.measure for row in found], block.groups.size),
            **dict(zip(("estimate", "ci_low", "ci_high"), numbers, strict=True)),
            "interval": np.concatenate([row.interval for row in found]),
            "flag": np.concatenate([row.flag for row in found]),
            "note": np.concatenate([row.note for row in found]),
        }
    )


def doubly_robust(
    group_by: str, groups: TextArray, table: CorrectedCells, observed: FloatArray, max_weight: float, own_models: bool,
    knows_groups: bool, adjustment: str = "verification",
) -> Block:  # fmt: skip
    """Rows of the default correction, or of weights alone."""
    everywhere = np.ones(groups.size, bool)
    unknown = f"The models do not know the grouping by {group_by.replace('_', ' ')}."
    heavy = f"One verified «noun» stands for up to {max_weight:.0f}: the figure hangs on few of them."
    said = (
        Remark("heavy_weights", heavy, everywhere & (max_weight > _HEAVY_WEIGHT)),
        Remark("", _OWN, everywhere & own_models),
        Remark("", unknown, everywhere & (not knows_groups)),
    )
    interval = np.full(groups.size, "influence_logit"), np.full(groups.size, "influence_log")
    return Block(adjustment, group_by, groups, table, observed, interval, said)


def simple(group_by: str, groups: TextArray, table: CorrectedCells, observed: FloatArray, fallback: str = "") -> Block:
    """Rows corrected by the finding alone; with `fallback`, why they stand in for the default correction."""
    ending = np.where(np.isinf(table.clusters), "", "_clustered")
    interval = np.char.add("logit_delta", ending), np.char.add("log_delta", ending)
    everywhere = np.ones(groups.size, bool)
    if fallback:
        said = (Remark("too_few_verified", f"{fallback} {_ALONE}", everywhere),)
        return Block("verification", group_by, groups, table, observed, interval, said)
    return Block("begg_greenes", group_by, groups, table, observed, interval, (Remark("", _SIMPLE, everywhere),))


def nothing(adjustment: str, reason: str, flag: str, observed: FloatArray) -> Block:
    """Overall rows without a figure, and why."""
    table = CorrectedCells(np.full((1, 4), np.nan), np.full((1, 4, 4), np.nan), np.array([np.inf]))
    none = np.array(["none"])
    said = (Remark(flag, reason, np.ones(1, bool)),)
    return Block(adjustment, "overall", np.array(["all"]), table, observed, (none, none), said)


def imputed(block: Block, completed: CorrectedCells, level: float) -> tuple[pl.DataFrame, float | None]:
    """Overall rows by multiple imputation, and the larger fraction of missing information of both accuracies."""
    found: list[Row] = []
    missing: list[float] = []
    for measure in MEASURES:
        pooled = pool(completed, measure, level) if is_inside(block.observed, measure)[0] else None
        if pooled is None:
            found.append(_row(measure, (np.nan, np.nan, np.nan), "none", "zero_cell", _EMPTY))
            continue
        scale = "rubin_logit" if measure in PROPORTIONS else "rubin_log"
        note = f"Fraction of missing information {pooled.fmi:.2f}."
        found.append(_row(measure, (pooled.estimate, pooled.ci_low, pooled.ci_high), scale, "", note))
        if measure in ("sensitivity", "specificity"):
            missing.append(pooled.fmi)
    return rows(block, found), max(missing, default=None)


def _row(measure: str, values: tuple[float, float, float], interval: str, flag: str, note: str) -> Row:
    """One measure of one group."""
    return Row(measure, np.array(values)[:, None], np.array([interval]), np.array([flag]), np.array([note]))


def bounds_frame(group_by: TextArray, labels: TextArray, every: Counted, level: float) -> pl.DataFrame:
    """Rows of the table `verification_bounds`, (groups,) by measure, for groups with an interpretable finding."""
    kept = every.counts.sum(axis=1) > 0
    counted, size = every.some(kept), int(kept.sum())
    found = [counted.bounds(measure, level) for measure in BOUNDED]
    numbers = {
        "lower": [region.low for region, _ in found],
        "upper": [region.high for region, _ in found],
        "ci_low": [limits.low for _, limits in found],
        "ci_high": [limits.high for _, limits in found],
    }
    return pl.DataFrame(
        {
            "group_by": np.tile(group_by[kept], len(BOUNDED)),
            "group": np.tile(labels[kept], len(BOUNDED)),
            "measure": np.repeat(BOUNDED, size),
            **{name: pl.Series(np.concatenate(values), nan_to_null=True) for name, values in numbers.items()},
            "unverified_positive": np.tile(counted.counts[:, 2].astype(np.int64), len(BOUNDED)),
            "unverified_negative": np.tile(counted.counts[:, 5].astype(np.int64), len(BOUNDED)),
        }
    )


def obstacle(counted: Counted) -> str:
    """Why no correction is possible overall; empty where one is."""
    counts = counted.counts[0]
    return VerificationCounts(**dict(zip(KINDS, counts.tolist(), strict=True))).obstacle


def alone(counted: Counted) -> str:
    """What is said where the finding alone stands in for the models: which knees are too few, and what that means."""
    return f"{shortage(counted)} {_ALONE}"


def shortage(counted: Counted) -> str:
    """Which of the verified knees are too few for the doubly robust estimator."""
    tp, fp, fn, tn = counted.observed[0]
    asked = (
        (tp + fn, WITH, "with the condition"),
        (fp + tn, WITHOUT, "without it"),
        (fn + tn, VERIFIED_NEGATIVE, "with a negative finding"),
    )
    few = [f"{n:.0f} {words} (at least {least} required)" for n, least, words in asked if n < least]
    return f"Too few verified «nouns»: {', '.join(few)}."

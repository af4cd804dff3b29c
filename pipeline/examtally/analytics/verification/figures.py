"""Corrected figures of one maneuver and condition as rows of the table `accuracy`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from examtally.analytics.figures import PROPORTIONS
from examtally.analytics.intervals import BoolArray, FloatArray, TextArray
from examtally.analytics.remarks import Remark, in_words
from examtally.analytics.verification.bounds import BOUNDED, KINDS
from examtally.analytics.verification.corrected import (
    MEASURES,
    Corrected,
    CorrectedCells,
    correct,
    correct_at,
    is_inside,
)
from examtally.analytics.verification.counts import VerificationCounts
from examtally.analytics.verification.imputation import pool
from examtally.analytics.verification.pair import VERIFIED_NEGATIVE, WITH, WITHOUT, Counted

_ALONE = (
    "Corrected by this maneuver's own finding alone (Begg and Greenes), which can lie further from the truth than the "
    "uncorrected figure where other findings drive imaging."
)
_SIMPLE = "Right only where nothing but this finding decided who was verified."
_EMPTY = "A cell of the verified knees is empty: only bounds can be given."
_OUTSIDE = "The corrected table leaves the range from 0 to 1: only bounds can be given."
_OWN = "Its models are its own, for the shared ones have no room for this maneuver."
_HEAVY_WEIGHT = 20.0


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

    def frames(self, prevalence: float | None, level: float) -> Iterator[pl.DataFrame]:
        """Rows of every measure; predictive values at `prevalence` where the protocol sets one."""
        for measure in MEASURES:
            if prevalence is not None and measure in ("ppv", "npv"):
                found = correct_at(self.table, measure, np.full(self.groups.size, prevalence), level)
            else:
                found = correct(self.table, measure, level)
            yield self._frame(found)

    def _frame(self, found: Corrected) -> pl.DataFrame:
        seen = is_inside(self.observed, found.measure)
        usable = seen & np.isfinite(found.estimate)
        is_share = found.measure in PROPORTIONS
        said = [
            Remark("zero_cell", _EMPTY, ~seen & self._has_table),
            Remark("not_estimable", _OUTSIDE, seen & ~usable & self._has_table),
            *self.said,
        ]
        flag, note = in_words(said)
        return rows(
            self,
            found.measure,
            np.where(usable, [found.estimate, found.limits.low, found.limits.high], np.nan),
            np.where(usable, self.interval[0 if is_share else 1], "none"),
            flag,
            note,
        )

    @property
    def _has_table(self) -> BoolArray:
        return np.asarray(np.isfinite(self.table.cells).all(axis=1))


def rows(
    block: Block, measure: str, values: FloatArray, interval: TextArray, flag: TextArray, note: TextArray
) -> pl.DataFrame:
    """Columns of one measure; `values` is (3, groups): estimate and limits, NaN for none."""
    return pl.DataFrame(
        {
            "group_by": np.full(block.groups.size, block.group_by),
            "group": block.groups,
            "adjustment": np.full(block.groups.size, block.adjustment),
            "measure": np.full(block.groups.size, measure),
            "estimate": values[0],
            "ci_low": values[1],
            "ci_high": values[2],
            "interval": interval,
            "flag": flag,
            "note": note,
        }
    )


def doubly_robust(
    group_by: str, groups: TextArray, table: CorrectedCells, observed: FloatArray, max_weight: float, own_models: bool,
    knows_groups: bool, adjustment: str = "verification",
) -> Block:  # fmt: skip
    """Rows of the default correction, or of weights alone."""
    everywhere = np.ones(groups.size, bool)
    unknown = f"The models do not know the grouping by {group_by.replace('_', ' ')}."
    heavy = f"One verified knee stands for up to {max_weight:.0f}: the figure hangs on few of them."
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


def imputed(block: Block, completed: CorrectedCells, level: float) -> tuple[list[pl.DataFrame], float | None]:
    """Overall rows by multiple imputation, and the larger fraction of missing information of both accuracies."""
    frames, missing = [], []
    for measure in MEASURES:
        pooled = pool(completed, measure, level) if is_inside(block.observed, measure)[0] else None
        scale = "rubin_logit" if measure in PROPORTIONS else "rubin_log"
        note = _EMPTY if pooled is None else f"Fraction of missing information {pooled.fmi:.2f}."
        values = [np.nan] * 3 if pooled is None else [pooled.estimate, pooled.ci_low, pooled.ci_high]
        flag = "zero_cell" if pooled is None else ""
        interval = "none" if pooled is None else scale
        frames.append(
            rows(block, measure, np.array(values)[:, None], np.array([interval]), np.array([flag]), np.array([note]))
        )
        if pooled is not None and measure in ("sensitivity", "specificity"):
            missing.append(pooled.fmi)
    return frames, max(missing, default=None)


def bounds_frame(group_by: str, labels: TextArray, counted: Counted, level: float) -> pl.DataFrame:
    """Rows of the table `verification_bounds`, for groups with an interpretable finding."""
    kept = counted.counts.sum(axis=1) > 0
    frames = []
    for measure in BOUNDED:
        region, limits = counted.bounds(measure, level)
        frames.append(
            pl.DataFrame(
                {
                    "group_by": np.full(labels.size, group_by),
                    "group": labels,
                    "measure": np.full(labels.size, measure),
                    "lower": region.low,
                    "upper": region.high,
                    "ci_low": limits.low,
                    "ci_high": limits.high,
                    "unverified_positive": counted.counts[:, 2].astype(np.int64),
                    "unverified_negative": counted.counts[:, 5].astype(np.int64),
                }
            ).filter(kept)
        )
    return pl.concat(frames).with_columns(pl.col("lower", "upper", "ci_low", "ci_high").fill_nan(None))


def obstacle(counted: Counted) -> str:
    """Why no correction is possible overall; empty where one is."""
    counts = counted.counts[0]
    return VerificationCounts(**dict(zip(KINDS, counts.tolist(), strict=True))).obstacle


def shortage(counted: Counted) -> str:
    """Which of the verified knees are too few for the doubly robust estimator."""
    tp, fp, fn, tn = counted.observed[0]
    asked = (
        (tp + fn, WITH, "with the condition"),
        (fp + tn, WITHOUT, "without it"),
        (fn + tn, VERIFIED_NEGATIVE, "with a negative finding"),
    )
    few = [f"{n:.0f} {words} ({least} asked)" for n, least, words in asked if n < least]
    return f"Too few verified knees: {', '.join(few)}."

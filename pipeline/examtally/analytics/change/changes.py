"""Before and after an intervention: the table `changes`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from examtally.analytics.bias_adjusted.model import BiasModels, ConditionModel, chances
from examtally.analytics.calibration.forecasts import IntArray
from examtally.analytics.change.within import FEWEST_EXAMINERS, Difference, ExaminerSums, contrast, solve, sums_within
from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.verification_bias.terms import clear_findings
from examtally.contracts.catalogue.own import CASE_MIX
from examtally.contracts.periods import place_of
from examtally.contracts.protocol.interventions import Aimed, Intervention
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import table_of

FEWEST_PERIODS = 8
"""Periods on either side from which on a time series is looked at."""
FEWEST_KNEES = 20
WIDEST = 0.6
_DRAWS = 40  # of the model behind the variance that it adds
_RAREST = 0.02  # share of the weight under which a level of the case mix has no column
LEADING = ("difference_in_differences", "before_after")
"""Which method the answer is taken from: the first that can be had."""


@dataclass(frozen=True)
class TargetRows:
    """The knees of one target: n rows in periods that count, `after` and `reached` as 0 and 1."""

    present: FloatArray
    """The chance that what the measure counts among is there: q for sensitivity, 1 - q for specificity."""
    places: IntArray
    """Where each stands among the knees of the model."""
    is_event: FloatArray
    examiner: IntArray
    time: FloatArray
    after: FloatArray
    reached: FloatArray
    case_mix: FloatArray

    def of(self, chosen: BoolArray) -> TargetRows:
        """Some of the knees."""
        return TargetRows(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))


def changes_table(
    models: BiasModels, reached: Mapping[str, BoolArray], protocol: Protocol, case_mix: Sequence[str] = CASE_MIX
) -> pl.DataFrame:
    """A row for each declared intervention, target and method, columns as declared.

    `reached` says of every row of the verification frame whether the intervention, by its code, reached the examiner.
    Differences are after minus before within examiners, at the same case mix, of the leading estimates: each knee
    counts with its chance of the condition; `case_mix` names the groupings. To the variance between examiners that
    over draws of the model is added.
    """
    rows = [
        row
        for intervention in protocol.interventions
        for place, target in enumerate(intervention.targets)
        for row in _compared(
            models,
            intervention,
            target,
            reached[intervention.code],
            place < len(intervention.should_change),
            protocol,
            case_mix,
        )
    ]
    return table_of("changes", rows)


def _compared(
    models: BiasModels,
    intervention: Intervention,
    target: Aimed,
    reached: BoolArray,
    is_meant: bool,
    protocol: Protocol,
    case_mix: Sequence[str],
) -> Iterator[dict[str, Any]]:
    key = {
        "intervention": intervention.code,
        "condition": target.condition,
        "maneuver": target.maneuver,
        "measure": target.measure,
        "expected": "change" if is_meant else "no_change",
        "status": "prespecified" if intervention.is_prespecified else "exploratory",
    }
    model = models.fitted.get(target.condition)
    if model is None:
        yield key | _not_told("before_after", "Too few were imaged for this condition.")
        return
    knees = _side(model, intervention, target, reached, case_mix)
    for method, (column, x, chosen, arms) in _designs(knees).items():
        yield key | _row(model, knees.of(chosen), target, method, column, x, arms, intervention, protocol)


def _side(
    model: ConditionModel, intervention: Intervention, target: Aimed, reached: BoolArray, case_mix: Sequence[str]
) -> TargetRows:
    frame, chance = model.knees.frame, model.draws.chance
    clear, positive = clear_findings(frame[f"result_{target.maneuver}"])
    time = np.array([place_of(period) for period in frame["period"].cast(pl.String)], dtype=np.float64)
    time -= place_of(intervention.period)
    clear &= (time < 0) | (time >= intervention.left_out_periods)
    is_sensitivity = target.measure == "sensitivity"
    present = chance if is_sensitivity else 1 - chance
    return TargetRows(
        present=present,
        places=np.arange(present.size),
        is_event=(positive if is_sensitivity else ~positive).astype(np.float64),
        examiner=np.unique(frame["examiner"].to_numpy(), return_inverse=True)[1].astype(np.int64),
        time=time,
        after=(time >= 0).astype(np.float64),
        reached=reached[model.knees.rows].astype(np.float64),
        case_mix=_case_mix(frame, case_mix),
    ).of(clear)


def _case_mix(frame: pl.DataFrame, names: Sequence[str]) -> FloatArray:
    """A column of 0 and 1 for each level of the case mix but the commonest; rare levels have none, (n, k)."""
    columns = []
    for name in names:
        if name in frame.columns:
            values = frame[name].cast(pl.String)
            counts = values.value_counts(sort=True)
            levels = counts.filter(pl.col("count") >= _RAREST * frame.height)[name].to_list()[1:]
            columns += [(values == level).fill_null(value=False).to_numpy() for level in sorted(levels)]
    return np.column_stack(columns).astype(np.float64) if columns else np.empty((frame.height, 0))


Design = tuple[int, FloatArray, BoolArray, int]


def _designs(knees: TargetRows) -> dict[str, Design]:
    """By method: the column that is asked for, the columns without the case mix, the knees, the arms."""
    own = knees.reached == 1
    designs: dict[str, Design] = {"before_after": (0, knees.after[own, None], own, 1)}
    if min(_both_sides(knees.of(own)), _both_sides(knees.of(~own))) >= FEWEST_EXAMINERS:
        x = np.column_stack([knees.after * knees.reached, knees.after])
        designs["difference_in_differences"] = (0, x, np.ones(own.size, bool), 2)
    periods = [np.unique(knees.time[own & (knees.after == side)]).size for side in (0, 1)]
    if min(periods) >= FEWEST_PERIODS:
        after, time = knees.after[own], knees.time[own]
        x = np.column_stack([after, time, after * time])
        designs |= {name: (column, x, own, 1) for name, column in (("interrupted_level", 0), ("interrupted_slope", 2))}
    return designs


def _both_sides(knees: TargetRows) -> int:
    """Examiners with knees before and after."""
    return int(np.intersect1d(knees.examiner[knees.after == 0], knees.examiner[knees.after == 1]).size)


def _row(
    model: ConditionModel,
    knees: TargetRows,
    target: Aimed,
    method: str,
    column: int,
    x: FloatArray,
    arms: int,
    intervention: Intervention,
    protocol: Protocol,
) -> dict[str, Any]:
    is_arm = (knees.reached == 1) if method == "difference_in_differences" else np.ones(knees.reached.size, bool)
    sides = [is_arm & (knees.after == side) for side in (0, 1)]
    expected = [float(knees.present[side].sum()) for side in sides]
    if min(expected) < FEWEST_KNEES:
        few = f"Fewer than {FEWEST_KNEES} cases are expected before, or after."
        return _not_told(method, few) | {"n_before": round(expected[0]), "n_after": round(expected[1])}
    found, unadjusted = _estimated(model, knees, target, x, column, arms)
    low, high = found.limits(protocol.intervals.level)
    before = float(knees.present[sides[0]] @ knees.is_event[sides[0]]) / expected[0]
    is_level = method not in ("interrupted_slope",)
    said = _said((low, high), intervention.margin, is_level=is_level)
    return {
        "method": method,
        "before": before if is_level else None,
        "after": min(max(before + found.value, 0.0), 1.0) if is_level else None,
        "difference": found.value,
        "ci_low": low,
        "ci_high": high,
        "p_value": found.p_value,
        "examiners": _both_sides(knees),
        "n_before": round(expected[0]),
        "n_after": round(expected[1]),
        "case_mix_difference": unadjusted - found.value,
        **said,
    }


def _estimated(
    model: ConditionModel, knees: TargetRows, target: Aimed, x: FloatArray, column: int, arms: int
) -> tuple[Difference, float]:
    """The contrast at the same case mix, and its value without regard to it."""
    examiners = int(knees.examiner.max()) + 1
    mixed = np.column_stack([x, knees.case_mix])
    mixed = mixed[:, [*range(x.shape[1]), *(x.shape[1] + np.flatnonzero(knees.case_mix.std(axis=0) > 0))]]

    def sums(columns: FloatArray, weight: FloatArray) -> ExaminerSums:
        return sums_within(columns, knees.is_event, weight, knees.examiner, examiners)

    at = np.unique(np.linspace(0, model.draws.draws - 1, _DRAWS).astype(np.int64))
    drawn = chances(model, at)[knees.places]
    weights = (drawn if target.measure == "sensitivity" else 1 - drawn).T
    spread = float(np.var([solve(sums(mixed, weight))[column] for weight in weights]))
    found = contrast(sums(mixed, knees.present), column, arms)
    return found.widened(spread), float(solve(sums(x, knees.present))[column])


def _said(limits: tuple[float, float], margin: float, *, is_level: bool) -> dict[str, Any]:
    """What can be told: the verdict, with flag and note where it is nothing."""
    low, high = limits
    if not np.isfinite(low):
        note = f"Fewer than {FEWEST_EXAMINERS} examiners an arm tell of it, or one of them tells nearly all."
        return {"verdict": "cannot_be_told", "flag": "not_estimable", "note": note}
    if is_level and high - low > WIDEST:
        return {"verdict": "cannot_be_told", "flag": "withheld", "note": "The limits are too wide to tell anything."}
    if low > 0 or high < 0:
        return {"verdict": "rose" if low > 0 else "fell", "flag": None, "note": None}
    if is_level and max(abs(low), abs(high)) <= margin:
        return {"verdict": "about_the_same", "flag": None, "note": None}
    return {"verdict": "cannot_be_told", "flag": None, "note": "The limits hold no change as well as a change."}


def _not_told(method: str, note: str) -> dict[str, Any]:
    numbers = dict.fromkeys(("before", "after", "difference", "ci_low", "ci_high", "p_value", "case_mix_difference"))
    counts = dict.fromkeys(("examiners", "n_before", "n_after"), 0)
    return {"method": method, **numbers, **counts, "verdict": "cannot_be_told", "flag": "not_estimable", "note": note}

"""Groups of examiners compared in several ways, and what they saw: two tables of a study."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from examtally.analytics.comparison.case_mix import balance, standardise_groups
from examtally.analytics.comparison.examiner_clusters import ExaminerContrast, contrast_examiners
from examtally.analytics.comparison.examiner_permutation import permute_examiners
from examtally.analytics.comparison.interactions import EXAMINER_GROUPS, examiner_remark
from examtally.analytics.comparison.knees import Compared
from examtally.analytics.intervals import BoolArray
from examtally.analytics.verification_bias.knees import ConditionKnees
from examtally.contracts.protocol.estimates import SEVERITY
from examtally.contracts.results import table_of

_MEASURES = ("sensitivity", "specificity")
_PEOPLE = ("age_band", "sex")
_NO_MODEL = "No model of the case mix can be fitted: too few events, too few examiners, or outcomes that it separates."
_NO_LIMIT = "{ways} ways of dealing the examiners: p is never below {least:.3g}, so that no difference can be excluded."
METHODS, CASE_MIX = "study_group_comparisons", "study_case_mix"
_NUMBERS = ("estimate_a", "estimate_b", "difference", "ci_low", "ci_high", "p_value")


@dataclass(frozen=True)
class _Pair:
    """One comparison: a measure of one test in two groups of examiners."""

    knees: ConditionKnees
    maneuver: str
    measure: str
    group_by: str
    groups: tuple[str, str]
    level: float

    @property
    def key(self) -> dict[str, object]:
        names = {"condition": self.knees.condition, "maneuver": self.maneuver, "measure": self.measure}
        return {**names, "group_by": self.group_by, "group_a": self.groups[0], "group_b": self.groups[1]}


def group_methods(
    knees: Mapping[str, ConditionKnees], pairs: Mapping[str, tuple[tuple[str, str], ...]], level: float
) -> dict[str, pl.DataFrame]:
    """Return the tables `study_group_comparisons` and `study_case_mix`; `pairs` by what makes the groups.

    Other groups than those made of examiners have no rows.
    """
    asked = [
        _Pair(of, maneuver, measure, group_by, groups, level)
        for of in knees.values()
        for maneuver in of.maneuvers
        for group_by in EXAMINER_GROUPS
        for groups in pairs.get(group_by, ())
        for measure in _MEASURES
    ]
    made = [_compared(one) for one in asked]
    return {
        METHODS: table_of(METHODS, [row for rows, _ in made for row in rows]),
        CASE_MIX: table_of(CASE_MIX, [row for _, rows in made for row in rows]),
    }


def _compared(pair: _Pair) -> tuple[list[dict[str, object]], list[dict[str, object]]]:
    """Rows of both tables; none where a group has no knee that the measure counts."""
    compared = Compared.groups(pair.knees, pair.maneuver, pair.group_by, pair.groups)
    counted = compared.verified & (compared.present == (pair.measure == "sensitivity"))
    is_first = compared.sides[0].inside[counted]
    n_a, n_b = int(is_first.sum()), int((~is_first).sum())
    if not min(n_a, n_b):
        return [], []
    mix = _mix(pair, compared, counted)
    beside = {**pair.key, "n_a": n_a, "n_b": n_b}
    seen = [
        beside
        | {"variable": one.variable, "level": one.level, "share_a": one.share_a, "share_b": one.share_b}
        | {"standardised_difference": one.standardised}
        for one in balance(is_first, mix)
    ]
    return [beside | row for row in _methods(pair, compared, counted, mix)], seen


def _mix(pair: _Pair, compared: Compared, counted: BoolArray) -> pl.DataFrame:
    """The case mix of the knees that are counted; severity where all of them have the condition."""
    frame = pair.knees.frame.filter(pl.Series(compared.taken)).filter(pl.Series(counted))
    own = f"severity_{pair.knees.condition}"
    names = dict.fromkeys(name for name in (*pair.knees.case_mix, *_PEOPLE) if name in frame.columns)
    columns = [frame[name] for name in names]
    if pair.measure == "sensitivity" and own in frame.columns and frame[own].null_count() < frame.height:
        columns = [frame[own].alias(SEVERITY), *columns]
    return pl.DataFrame(columns)


def _methods(pair: _Pair, compared: Compared, counted: BoolArray, mix: pl.DataFrame) -> Iterator[dict[str, object]]:
    events, knees = compared.examiner_sums(pair.measure, is_corrected=False)
    made = contrast_examiners(events, knees)
    said = examiner_remark(made)
    alike: dict[str, object] = {"examiners_a": made.examiners[0], "examiners_b": made.examiners[1]}
    alike |= {"leads": False, "least_p_value": None, "design_effect": None, "adjusted_for": None}
    observed = {**alike, "estimate_a": made.estimate_a, "estimate_b": made.estimate_b, "difference": made.value}
    low, high = made.limits(pair.level)
    yield {
        **observed,
        "method": "examiner_clusters",
        "leads": True,
        "design_effect": _design_effect(made, compared, counted),
        **{"ci_low": low, "ci_high": high, "p_value": made.p_value},
        **said,
    }
    dealt = permute_examiners(events, knees, pair.level)
    if dealt is not None:
        none = {"flag": "few_examiners", "note": _NO_LIMIT.format(ways=dealt.ways, least=dealt.least)}
        yield {
            **observed,
            "method": "permutation",
            **{"ci_low": dealt.low, "ci_high": dealt.high, "p_value": dealt.p_value, "least_p_value": dealt.least},
            **(said if np.isfinite(dealt.low) else none),
        }
    yield {**alike, "method": "case_mix"} | _at_one_case_mix(pair, compared, counted, mix, said)


def _at_one_case_mix(
    pair: _Pair, compared: Compared, counted: BoolArray, mix: pl.DataFrame, said: Mapping[str, object]
) -> dict[str, object]:
    is_event = compared.sides[0].positive[counted] == (pair.measure == "sensitivity")
    examiner = pair.knees.frame["examiner"].to_numpy()[compared.taken][counted].astype(np.float64)
    found = standardise_groups(is_event, compared.sides[0].inside[counted], examiner, mix)
    if found is None:
        nothing = dict.fromkeys(_NUMBERS)
        return {**nothing, "adjusted_for": None, "flag": "not_estimable", "note": _NO_MODEL}
    low, high = found.limits(pair.level)
    return {
        "estimate_a": found.estimate_a,
        "estimate_b": found.estimate_b,
        "difference": found.value,
        "ci_low": low,
        "ci_high": high,
        "p_value": found.p_value,
        "adjusted_for": ", ".join(found.taken),
        **said,
    }


def _design_effect(made: ExaminerContrast, compared: Compared, counted: BoolArray) -> float:
    """Variance of the difference over that of independent knees; NaN where these would not vary."""
    numbers = [int((counted & side.inside).sum()) for side in compared.sides]
    shares = (made.estimate_a, made.estimate_b)
    alone = sum(p * (1 - p) / n for p, n in zip(shares, numbers, strict=True))
    return made.variance / alone if alone > 0 else float("nan")

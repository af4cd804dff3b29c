"""One maneuver in two groups of exams, by the draws of who has the condition."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
import polars as pl

from examtally.analytics.bias_adjusted.figures import Summary, measures, summaries, summary
from examtally.analytics.bias_adjusted.leading import held_back, standing, withheld_of
from examtally.analytics.bias_adjusted.model import BiasModels, ConditionModel
from examtally.analytics.bias_adjusted.severity import BySeverity
from examtally.analytics.bias_adjusted.tabulate import Members, tabulate
from examtally.analytics.comparison.contrast import SAME_KNEES
from examtally.analytics.comparison.examiner_clusters import contrast_examiners
from examtally.analytics.comparison.interactions import EXAMINER_GROUPS, examiner_remark
from examtally.analytics.intervals import FloatArray
from examtally.analytics.verification_bias.terms import clear_findings
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.estimates import SEVERITY
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform

_PAIR = ("condition", "maneuver", "group_by", "group_a", "group_b", "measure")
_VALUES = ("estimate_a", "estimate_b", "difference", "ci_low", "ci_high", "test", "p_value", "flag", "note")


def with_bias_adjusted_interactions(
    interactions: pl.DataFrame,
    frame: pl.DataFrame,
    models: BiasModels,
    degrees: Sequence[BySeverity],
    contract: Contract,
    protocol: Protocol,
) -> pl.DataFrame:
    """Return the table `interactions` with the rows `bias_adjusted`; they carry the counts of the verified knees.

    `frame` is the verification frame. Groups of participants: medians and percentiles of the draws of the difference,
    no test. Groups of examiners: knees weighted by their chance of the condition, examiners as clusters
    (`contrast_examiners`), to whose variance that of the drawn statuses is added; its test goes with it. `degrees` are
    the figures by severity, of which two are set against each other in the same draws.
    """
    asked = interactions.filter(adjustment="none").select(_PAIR).unique(maintain_order=True)
    by_severity = pl.col("group_by") == SEVERITY
    rows = [
        row
        for code, model in models.fitted.items()
        for row in _compared(model, frame, asked.filter(~by_severity, condition=code), contract, protocol)
    ]
    found = {(one.condition, one.maneuver, one.degree): one for one in degrees}
    rows += [
        dict(zip(_PAIR, pair, strict=True)) | of_degrees(found, pair[:2], pair[3:5], protocol.intervals.level)
        for pair in asked.filter(by_severity).rows()
    ]
    made = pl.DataFrame(rows, schema={name: interactions.schema[name] for name in (*_PAIR, *_VALUES)})
    kept = interactions.filter(adjustment="none").drop(*_VALUES, "p_adjusted", "adjustment")
    joined = made.join(kept, on=_PAIR, how="inner").with_columns(adjustment=pl.lit("bias_adjusted"))
    return conform("interactions", pl.concat([interactions, joined], how="diagonal"))


def of_degrees(
    found: Mapping[tuple[str, str, str], BySeverity], pair: tuple[str, str], degrees: tuple[str, str], level: float
) -> dict[str, object]:
    """Values of the row of a condition and maneuver at two degrees; withheld where one of the two figures is."""
    sides = [found.get((*pair, degree)) for degree in degrees]
    known = [side for side in sides if side is not None and side.reason is None]
    if len(known) < len(sides):
        why = next((side.reason for side in sides if side is not None and side.reason is not None), None)
        return dict.fromkeys(_VALUES) | {"test": "none", "flag": "withheld", "note": why or "Nothing was graded so."}
    difference = summary(known[0].drawn - known[1].drawn, level)
    flag = "assumed_reference" if known[0].is_assumed else None
    return _by_draws([side.figure for side in known], difference) | {"flag": flag}


def _compared(
    model: ConditionModel, frame: pl.DataFrame, asked: pl.DataFrame, contract: Contract, protocol: Protocol
) -> Iterator[dict[str, object]]:
    level, whole = protocol.intervals.level, held_back(model, contract)
    own = frame[model.knees.rows]
    examiner = own["examiner"].to_numpy()
    pairs = asked.select(_PAIR[1:5]).unique(maintain_order=True).rows()
    chosen = [_members(model, own, maneuver, by, group) for maneuver, by, *groups in pairs for group in groups]
    drawn = measures(tabulate(model.draws, chosen))
    single = {measure: summaries(drawn[measure], level) for measure in SAME_KNEES}
    differences = {measure: summaries(drawn[measure][::2] - drawn[measure][1::2], level) for measure in SAME_KNEES}
    for place, pair in enumerate(pairs):
        sides = chosen[2 * place : 2 * place + 2]
        figures = {measure: values[2 * place : 2 * place + 2] for measure, values in single.items()}
        why: dict[str, str] = {}
        for side, each in enumerate(sides):
            why |= withheld_of(
                each,
                {measure: values[side] for measure, values in figures.items()},
                drawn["prevalence"][2 * place + side],
                whole,
            )
        for measure in SAME_KNEES:
            key = dict(zip(_PAIR, (model.knees.condition, *pair, measure), strict=True))
            flag = standing(model, protocol)
            if measure in why:
                yield key | dict.fromkeys(_VALUES) | {"test": "none", "flag": "withheld", "note": why[measure]}
            elif pair[1] in EXAMINER_GROUPS:
                values = _by_examiner(model, examiner, sides, figures[measure], measure, level)
                yield key | values | {"flag": values["flag"] or flag}
            else:
                yield key | _by_draws(figures[measure], differences[measure][place]) | {"flag": flag}


def _members(model: ConditionModel, own: pl.DataFrame, maneuver: str, group_by: str, group: str) -> Members:
    """The knees of one group with a clear finding."""
    clear, positive = clear_findings(own[f"result_{maneuver}"])
    clear &= (own[group_by].cast(pl.String) == group).to_numpy()
    return Members.of(model.knees, model.draws.chance, maneuver, clear, positive, group_by=group_by, group=group)


def _by_draws(single: list[Summary], difference: Summary) -> dict[str, object]:
    one, other = single
    values = (one.estimate, other.estimate, difference.estimate, difference.low, difference.high, "none", None)
    shown: dict[str, object] = dict(zip(_VALUES, values, strict=False))
    return shown | {"note": None}


def _by_examiner(
    model: ConditionModel,
    examiner: FloatArray,
    sides: list[Members],
    single: list[Summary],
    measure: str,
    level: float,
) -> dict[str, object]:
    """Values of a row; the estimates are those of the groups by themselves, so that each has one figure everywhere."""
    chance = model.draws.chance
    events, knees = [], []
    for each in sides:
        weight = chance[each.places] if measure == "sensitivity" else 1 - chance[each.places]
        meant = each.is_positive if measure == "sensitivity" else ~each.is_positive
        _, own = np.unique(examiner[each.places], return_inverse=True)
        events.append(np.bincount(own, weights=weight * meant).astype(np.float64))
        knees.append(np.bincount(own, weights=weight).astype(np.float64))
    seen = contrast_examiners((events[0], events[1]), (knees[0], knees[1]))
    made = seen.widened(_of_statuses(model, sides, measure))
    if single[0].estimate is not None and single[1].estimate is not None:
        made = replace(made, estimate_a=single[0].estimate, estimate_b=single[1].estimate)
    low, high = made.limits(level)
    is_tested = bool(np.isfinite(made.p_value))
    values = (made.estimate_a, made.estimate_b, made.value, low, high, "examiner_clusters" if is_tested else "none")
    said = examiner_remark(made)
    shown: dict[str, object] = dict(zip(_VALUES, (*values, made.p_value), strict=False))
    return shown | {"flag": said["flag"], "note": said["note"]}


def _of_statuses(model: ConditionModel, sides: list[Members], measure: str) -> float:
    """Variance of the difference over drawn statuses, the knees as they are."""
    shares = []
    for each in sides:
        present = np.unpackbits(model.draws.statuses[each.places], axis=1, count=model.draws.draws)
        meant, hits = (present, each.is_positive) if measure == "sensitivity" else (1 - present, ~each.is_positive)
        shares.append(meant[hits].sum(axis=0) / meant.sum(axis=0))
    return float(np.var(shares[0] - shares[1]))

"""The tables of the diagnostic models: how good, which terms, what the exam adds, and who would be imaged."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, TypeAlias

import numpy as np
import polars as pl

from examtally.analytics.diagnostic_models.condition_models import NOT_DONE, ConditionModels
from examtally.analytics.diagnostic_models.decision import decision_curve
from examtally.analytics.diagnostic_models.influence import MEASURES, Estimate, added_value, estimate, score_influence
from examtally.analytics.diagnostic_models.models import EXAM, HISTORY
from examtally.analytics.diagnostic_models.optimism import OptimismCorrected
from examtally.analytics.intervals import t_quantile
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import table_of

Row: TypeAlias = dict[str, Any]
STRATEGIES = ("all", "none", HISTORY, EXAM)
_STATED = ("examiner_after_history", "examiner_after_exam")
_CLINICAL = "Made against a clinical diagnosis."


def forecasts_of(fitted: Sequence[ConditionModels]) -> pl.DataFrame:
    """Forecasts out of fold beside the outcome: condition, forecast, participant, probability, outcome."""
    frames = [
        pl.DataFrame(
            {
                "condition": one.condition,
                "forecast": model.name,
                "participant": one.knees.participant,
                "probability": model.forecast.probability,
                "outcome": one.knees.present.astype(np.int64),
            }
        )
        for one in fitted
        if one.knees
        for model in one.models
    ]
    schema = {"condition": pl.String, "forecast": pl.String, "participant": pl.Int64, "probability": pl.Float64}
    return pl.concat([pl.DataFrame(schema=schema | {"outcome": pl.Int64}), *frames])


def diagnostic_models_table(fitted: Sequence[ConditionModels], protocol: Protocol) -> pl.DataFrame:
    """Return the table `diagnostic_models`: both models of each condition, as fitted, corrected and out of fold."""
    return as_table("diagnostic_models", [row for one in fitted for row in _quality(one, protocol)], protocol)


def model_terms_table(fitted: Sequence[ConditionModels], protocol: Protocol) -> pl.DataFrame:
    """Return the table `model_terms`: the coefficients of each model that could be made."""
    rows = [
        {
            "condition": one.condition,
            "model": model.name,
            "term": term,
            "coefficient": found.value,
            "lr": found.ratio,
            "ci_low": found.ci_low,
            "ci_high": found.ci_high,
            "note": one.note("Given the other terms, and drawn towards 1."),
        }
        for one in fitted
        for model in one.models
        for term, found in zip(model.terms, model.coefficients, strict=True)
    ]
    return as_table("model_terms", rows, protocol)


def added_value_table(
    fitted: Sequence[ConditionModels], frame: pl.DataFrame, contract: Contract, protocol: Protocol
) -> pl.DataFrame:
    """Return the table `added_value`: from history to exam, by the models and by the examiners' own probabilities.

    `frame` is the diagnostic frame. Examiners stand in it for core conditions, and for others where both probabilities
    were ever stated of one knee.
    """
    rows = [
        row for one in fitted for row in (*_added_by_model(one, protocol), *_stated(one, frame, contract, protocol))
    ]
    return as_table("added_value", rows, protocol)


def decision_curve_table(fitted: Sequence[ConditionModels], protocol: Protocol) -> pl.DataFrame:
    """Return the table `decision_curve`: imaging by each model, all and nobody at the protocol's thresholds."""
    return as_table("decision_curve", [row for one in fitted for row in _curve(one, protocol)], protocol)


def _quality(one: ConditionModels, protocol: Protocol) -> Iterator[Row]:
    base: Row = {"condition": one.condition, "n": one.n, "events": one.events, "participants": one.participants}
    if one.knees is None:
        for name in (HISTORY, EXAM):
            yield base | {"model": name, "measure": "auc", "flag": one.flag, "note": one.note()}
        return
    left = f"No room for {', '.join(one.knees.left_out)}." if one.knees.left_out else ""
    for model in one.models:
        told = "" if model.terms else "No history was recorded: the model states the share with the condition."
        for measure, found in (("auc", model.optimism.auc), ("log_score", model.optimism.log_score)):
            value, influence = score_influence(measure, model.forecast.probability, one.knees.present)
            unseen = estimate(value, influence, one.knees.participant, protocol.intervals.level)
            low, high = _limits(found, unseen, one.participants, measure, protocol.intervals.level)
            yield base | {
                "model": model.name,
                "measure": measure,
                "apparent": found.apparent,
                "optimism": found.optimism,
                "corrected": found.corrected,
                "harrell": found.harrell,
                "ci_low": low,
                "ci_high": high,
                "out_of_fold": unseen.value,
                "terms": len(model.terms),
                "penalty": model.fit.penalty,
                "draws": model.optimism.draws,
                "flag": None,
                "note": one.note(told, NOT_DONE if model.name == EXAM else "", left),
            }


def _limits(
    found: OptimismCorrected, unseen: Estimate, people: int, measure: str, level: float
) -> tuple[float | None, float | None]:
    """Limits of a corrected value; an area stays within 0 and 1."""
    if unseen.se is None:
        return None, None
    low, high = found.limits(unseen.se, float(t_quantile(level, people - 1)))
    return max(low, 0.0), min(high, 1.0) if measure == "auc" else high


def _added_by_model(one: ConditionModels, protocol: Protocol) -> list[Row]:
    if one.knees is None:
        return _added_rows(one, (HISTORY, EXAM), None, one.flag, one.note())
    before, after = (model.forecast.probability for model in one.models)
    forecasts = (before, after, one.knees.present, one.knees.participant)
    return _added_rows(one, (HISTORY, EXAM), forecasts, None, one.note("Forecasts out of fold."), protocol)


def _stated(one: ConditionModels, frame: pl.DataFrame, contract: Contract, protocol: Protocol) -> list[Row]:
    """The examiners' own probabilities, where both were written of one knee."""
    columns = [f"after_history_{one.condition}", f"after_exam_{one.condition}", f"present_{one.condition}"]
    both = frame.select(*columns, "participant").drop_nulls()
    if not both.height and not contract.catalogue.conditions[one.condition].core:
        return []
    before, after, present, who = (both[name].cast(pl.Float64).to_numpy() for name in both.columns)
    counts = one.__class__(one.condition, both.height, int(present.sum()), both["participant"].n_unique(), "", None, ())
    least, events = protocol.calibration.min_knees, protocol.calibration.min_events
    if both.height < least or min(counts.events, counts.n - counts.events) < events:
        why = (
            f"Too few to say: {counts.n} verified «nouns» with both probabilities stated, {counts.events} with the "
            f"condition; needs {least}, of them {events} with and {events} without."
        )
        return _added_rows(counts, _STATED, None, "few_forecasts", why)
    return _added_rows(counts, _STATED, (before, after, present, who), None, counts.note(), protocol)


def _added_rows(
    one: ConditionModels,
    names: tuple[str, str],
    forecasts: tuple[Any, Any, Any, Any] | None,
    flag: str | None,
    note: str,
    protocol: Protocol | None = None,
) -> list[Row]:
    base = {
        "condition": one.condition,
        "forecast_a": names[0],
        "forecast_b": names[1],
        "n": one.n,
        "events": one.events,
        "participants": one.participants,
        "flag": flag,
        "note": note,
    }
    if forecasts is None or protocol is None:
        return [base | {"measure": measure} for measure in MEASURES]
    found = added_value(*forecasts, level=protocol.intervals.level, clip=protocol.calibration.clip)
    return [
        base
        | {
            "measure": added.measure,
            "estimate_a": added.before,
            "estimate_b": added.after,
            "difference": added.difference.value,
            "ci_low": added.difference.ci_low,
            "ci_high": added.difference.ci_high,
        }
        for added in found
    ]


def _curve(one: ConditionModels, protocol: Protocol) -> Iterator[Row]:
    thresholds, level = protocol.modelling.thresholds, protocol.intervals.level
    base: Row = {"condition": one.condition, "n": one.n, "events": one.events, "participants": one.participants}
    if one.knees is None:
        for strategy in STRATEGIES:
            for threshold in thresholds:
                yield base | {"strategy": strategy, "threshold": threshold, "flag": one.flag, "note": one.note()}
        return
    history, exam = (model.forecast.probability for model in one.models)
    knees = np.ones(one.n)
    for strategy, forecast in zip(STRATEGIES, (knees, 0 * knees, history, exam), strict=True):
        for at in decision_curve(forecast, one.knees.present, one.knees.participant, thresholds, level):
            yield base | {
                "strategy": strategy,
                "threshold": at.threshold,
                "net_benefit": at.net_benefit,
                "ci_low": at.ci_low,
                "ci_high": at.ci_high,
                "imaged_per_100": at.imaged,
                "missed_per_100": at.missed,
                "avoided_per_100": at.avoided,
                "flag": None,
                "note": one.note("Forecasts out of fold." if strategy in (HISTORY, EXAM) else ""),
            }


def as_table(name: str, rows: list[Row], protocol: Protocol) -> pl.DataFrame:
    """Rows as the declared table; a column that no row has is null, a clinical reference is named."""
    for row in rows:
        if protocol.is_clinical(row["condition"]):
            row |= {"flag": row.get("flag") or "clinical_reference", "note": f"{row['note']} {_CLINICAL}"}
    return table_of(name, rows)

"""The table of the short exam."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl

from examtally.analytics.diagnostic_models.condition_models import ConditionModels
from examtally.analytics.diagnostic_models.model_tables import as_table
from examtally.analytics.diagnostic_models.predictors import candidates, knees_of
from examtally.analytics.diagnostic_models.short_exam import ExamSet, short_exams
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.processes import one_thread

_CODES = {"negative": 0, "positive": 1}
_NO_FINDING = 2
_FROM_ALL = (
    "Maneuvers alone, without the history, done as often as they were here; "
    "equivocal, not done and not recorded count alike."
)


def short_exam_table(
    fitted: tuple[ConditionModels, ...],
    frame: pl.DataFrame,
    contract: Contract,
    protocol: Protocol,
    say: Callable[[str], object] = lambda _step: None,
) -> pl.DataFrame:
    """Return the table `short_exam`: for each size the best set of maneuvers and those that often win.

    `frame` is the diagnostic frame, `fitted` the models made of it, whose parts are used again; `say` is told each
    condition. Where there is no model, one row for all candidates says why.
    """
    rows = []
    for one in fitted:
        if one.knees is not None:
            say(f"Looking for a short exam: {contract.catalogue.conditions[one.condition].name}")
        rows += _rows(one, frame, contract, protocol)
    return as_table("short_exam", rows, protocol)


def _rows(one: ConditionModels, frame: pl.DataFrame, contract: Contract, protocol: Protocol) -> list[dict[str, Any]]:
    names = candidates(one.condition, contract, protocol)
    base = {"condition": one.condition, "n": one.n, "events": one.events, "participants": one.participants}
    if one.knees is None:
        return [base | {"size": len(names), "maneuvers": ", ".join(names), "flag": one.flag, "note": one.note()}]
    known = knees_of(frame, one.condition)
    findings = np.column_stack([_coded(known[f"result_{name}"]) for name in names])
    how = protocol.modelling
    with one_thread():
        sets = short_exams(
            findings,
            one.knees.present,
            one.knees.participant,
            one.models[0].forecast.part,
            max_size=how.max_size,
            resamples=how.resamples,
            seed=(how.seed, *one.condition.encode()),
            level=protocol.intervals.level,
        )
    note = one.note(_FROM_ALL)
    return [
        base | _figures(found, tuple(names[i] for i in found.maneuvers), protocol) | {"flag": None, "note": note}
        for found in sets
    ]


def _coded(results: pl.Series) -> np.ndarray:
    codes = results.cast(pl.String).replace_strict(_CODES, default=_NO_FINDING, return_dtype=pl.Int64)
    return codes.to_numpy()


def _figures(found: ExamSet, maneuvers: tuple[str, ...], protocol: Protocol) -> dict[str, Any]:
    timed = protocol.modelling.seconds
    return {
        "size": len(maneuvers),
        "maneuvers": ", ".join(maneuvers),
        "is_best": found.is_best,
        "log_score": found.log_score.value,
        "se": found.log_score.se,
        "auc": found.auc.value,
        "wins": found.wins,
        "lost": found.lost.value,
        "lost_low": found.lost.ci_low,
        "lost_high": found.lost.ci_high,
        "seconds": sum(timed[name] for name in maneuvers) if all(name in timed for name in maneuvers) else None,
    }

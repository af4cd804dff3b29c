"""Whom to image, in all eligible knees: net benefit by who has the condition, imaged or not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import polars as pl
from scipy.special import expit

from examtally.analytics.bias_adjusted.figures import summary
from examtally.analytics.bias_adjusted.knees import StatusRecords
from examtally.analytics.bias_adjusted.leading import held_back, standing
from examtally.analytics.bias_adjusted.model import BiasModels, ConditionModel
from examtally.analytics.bias_adjusted.tabulate import count
from examtally.analytics.diagnostic_models.condition_models import NOT_DONE, ConditionModels
from examtally.analytics.diagnostic_models.crossfit import deal
from examtally.analytics.diagnostic_models.models import EXAM, HISTORY
from examtally.analytics.diagnostic_models.predictors import predictors
from examtally.analytics.intervals import FloatArray
from examtally.analytics.logistic import fit_without
from examtally.analytics.test_combinations.joint import IntArray
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, table_of
from examtally.processes import one_thread

_ALL, _NOBODY = "all", "none"
_RESTS_ON = "All eligible «nouns», who was imaged and the errors of the reference allowed for."
_COLUMNS = ("net_benefit", "ci_low", "ci_high", "imaged_per_100", "missed_per_100", "avoided_per_100")


def with_bias_adjusted_curves(
    table: pl.DataFrame,
    fitted: Sequence[ConditionModels],
    eligible: pl.DataFrame,
    records: StatusRecords,
    models: BiasModels,
    contract: Contract,
    protocol: Protocol,
) -> pl.DataFrame:
    """Return the table `decision_curve` with the rows `bias_adjusted`, of every condition that has models.

    `eligible` is the diagnostic frame of all index exams of the records. Models of history and of exam are made again
    on all eligible knees, with the chance of the condition as outcome and the penalty found on verified knees, and
    forecast people they have not seen. In each draw knees have a status and people a weight.

    Source: Vickers AJ, Elkin EB. Med Decis Making 2006;26:565-574; Vickers et al. 2008 (avoided).
    """
    placed = eligible.with_columns(row=pl.Series(np.flatnonzero(records.exams["index"].to_numpy())))
    rows = [
        row
        for one in fitted
        if one.knees is not None and one.condition in models.fitted
        for row in _curve(one, placed, models.fitted[one.condition], contract, protocol)
    ]
    return conform("decision_curve", pl.concat([table, table_of("decision_curve", rows)]))


def _curve(
    one: ConditionModels, placed: pl.DataFrame, model: ConditionModel, contract: Contract, protocol: Protocol
) -> Iterator[dict[str, object]]:
    thresholds, draws = protocol.modelling.thresholds, model.draws
    why = " ".join(dict.fromkeys(held_back(model, contract).values()))
    everyone = np.arange(draws.rows.size)
    base = {
        "condition": one.condition,
        "adjustment": "bias_adjusted",
        "n": everyone.size,
        "events": round(float(draws.chance.sum())),
        "participants": int(np.unique(draws.participants).size),
        "flag": "withheld" if why else standing(model, protocol),
    }
    if why:
        for strategy in (_ALL, _NOBODY, HISTORY, EXAM):
            yield from (base | {"strategy": strategy, "threshold": at, "note": why} for at in thresholds)
        return
    ones = np.ones(everyone.size)
    forecasts = {_ALL: ones, _NOBODY: 0 * ones, **_forecasts(one, placed, model, contract, protocol)}
    sets = [np.flatnonzero(forecast >= at) for forecast in forecasts.values() for at in thresholds]
    present, absent = count(draws, [everyone, *sets])
    total = present[0] + absent[0]
    with_it, without = present[0] / total, absent[0] / total
    found, in_vain = present[1:] / total, absent[1:] / total
    keys = [(strategy, at) for strategy in forecasts for at in thresholds]
    for place, (strategy, at) in enumerate(keys):
        odds = at / (1 - at)
        benefit = found[place] - in_vain[place] * odds
        values = summary(benefit, protocol.intervals.level)
        saved = 100 * (benefit - (with_it - without * odds)) / odds
        has_spread = strategy != _NOBODY
        figures = (
            *(values.estimate, *((values.low, values.high) if has_spread else (None, None))),
            100 * sets[place].size / everyone.size,
            *(float(np.median(each)) for each in (100 * (with_it - found[place]), saved)),
        )
        of_model = strategy in (HISTORY, EXAM)
        note = f"Forecasts for people not seen. {NOT_DONE if strategy == EXAM else ''}".strip() if of_model else ""
        yield (
            base
            | dict(zip(_COLUMNS, figures, strict=True))
            | {
                "strategy": strategy,
                "threshold": at,
                "note": f"{note} {_RESTS_ON}".strip(),
            }
        )


def _forecasts(
    one: ConditionModels, placed: pl.DataFrame, model: ConditionModel, contract: Contract, protocol: Protocol
) -> dict[str, FloatArray]:
    """Forecasts out of fold for every knee of the condition, by history alone and with the maneuvers."""
    draws, how = model.draws, protocol.modelling
    first = pl.Series(f"present_{one.condition}", draws.statuses_of(0, 1)[:, 0] > 0)
    frame = placed.filter(pl.col("row").is_in(draws.rows.tolist())).with_columns(first)
    knees = predictors(frame, one.condition, contract, protocol)
    seed = (how.seed, *one.condition.encode())
    part = deal(knees.participant, knees.present, how.folds, np.random.default_rng(seed))
    designs = {HISTORY: knees.history, EXAM: knees.exam}
    with one_thread():
        return {made.name: _unseen(designs[made.name], draws.chance, part, made.fit.penalty) for made in one.models}


def _unseen(design: FloatArray, chance: FloatArray, part: IntArray, penalty: float) -> FloatArray:
    """Forecast of each knee by a model made without its part; each knee counts as both, by its chance of either."""
    known = np.column_stack([np.ones(chance.size), design])
    seen = part != np.unique(part)[:, None]
    _, without = fit_without(known, chance, seen, penalty=penalty)
    return np.asarray(expit((known * without[np.unique(part, return_inverse=True)[1]]).sum(axis=1)))

"""What else changed at an intervention: the table `change_context`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import polars as pl

from examtally.analytics.bias_adjusted.model import BiasModels
from examtally.analytics.intervals import BoolArray
from examtally.contracts.catalogue.own import CASE_MIX
from examtally.contracts.periods import place_of
from examtally.contracts.protocol.interventions import Intervention
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import table_of

_NEW = "new"


def context_table(
    frame: pl.DataFrame,
    models: BiasModels,
    readings: pl.DataFrame,
    protocol: Protocol,
    case_mix: Sequence[str] = CASE_MIX,
) -> pl.DataFrame:
    """Shares before and after each intervention; `readings` has a row a period and reader, with the number `readings`.

    `frame` is the verification frame. The case mix is of all exams in it, imaging and expectation are of the knees of
    each condition that a target names, examiners and readers are shares of exams and readings by people without any
    before.
    """
    rows = [
        {"intervention": one.code} | row
        for one in protocol.interventions
        for part in (
            _case_mix(one, frame, case_mix), _of_conditions(one, models), _new_people(one, frame, readings),
        )
        for row in part
    ]  # fmt: skip
    return table_of("change_context", rows)


def is_after(periods: pl.Series, one: Intervention) -> BoolArray:
    """Whether each period is that of the intervention or a later one."""
    known = {period: place_of(period) >= place_of(one.period) for period in periods.cast(pl.String).unique()}
    return np.array([known[period] for period in periods.cast(pl.String)], dtype=bool)


def _row(about: str, item: str, level: str, hit: BoolArray, after: BoolArray) -> dict[str, Any]:
    shares = [float(hit[side].mean()) if side.any() else None for side in (~after, after)]
    named = {"about": about, "item": item, "level": level, "before": shares[0], "after": shares[1]}
    return named | {"n_before": int((~after).sum()), "n_after": int(after.sum())}


def _case_mix(one: Intervention, frame: pl.DataFrame, names: Sequence[str]) -> Iterator[dict[str, Any]]:
    after = is_after(frame["period"], one)
    for name in names:
        if name in frame.columns:
            values = frame[name].cast(pl.String)
            for level in values.unique().sort().drop_nulls():
                yield _row("case_mix", name, level, (values == level).to_numpy(), after)


def _of_conditions(one: Intervention, models: BiasModels) -> Iterator[dict[str, Any]]:
    for code in dict.fromkeys(target.condition for target in one.targets):
        if code in models.fitted:
            model = models.fitted[code]
            after = is_after(model.knees.frame["period"], one)
            yield _row("imaging", code, "verified", model.knees.is_verified, after)
            yield _row("expected", code, "present", model.draws.chance, after)  # type: ignore[arg-type]


def _new_people(one: Intervention, frame: pl.DataFrame, readings: pl.DataFrame) -> Iterator[dict[str, Any]]:
    after = is_after(frame["period"], one)
    examiner = frame["examiner"].to_numpy()
    yield _row("examiners", _NEW, _NEW, ~np.isin(examiner, examiner[~after]), after)
    if readings.height:
        late = is_after(readings["period"], one)
        n, reader = readings["readings"].to_numpy(), readings["reader"].to_numpy()
        yield _row("readers", _NEW, _NEW, np.repeat(~np.isin(reader, reader[~late]), n), np.repeat(late, n))

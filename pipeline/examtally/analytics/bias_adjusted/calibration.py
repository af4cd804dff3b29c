"""Stated probabilities held against who has the condition, imaged or not, the errors of the reference allowed for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from examtally.analytics.bias_adjusted.draws import StatusDraws
from examtally.analytics.bias_adjusted.knees import StatusRecords
from examtally.analytics.bias_adjusted.leading import held_back, standing
from examtally.analytics.bias_adjusted.model import FEWEST_READINGS, BiasModels, ConditionModel
from examtally.analytics.bias_adjusted.tabulate import ALL, OVERALL, count
from examtally.analytics.calibration.curves import bins
from examtally.analytics.calibration.forecasts import Counts
from examtally.analytics.calibration.recalibration import calibration_in_the_large, joint_model, logit
from examtally.analytics.calibration.resampling import percentile_limits
from examtally.analytics.calibration.scores import auc, brier, logarithmic
from examtally.analytics.calibration.tables import CalibrationTables
from examtally.analytics.intervals import FloatArray
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import table_of

MEASURES = ("brier", "intercept", "slope", "auc", "log_score")
_DRAWS = 400
_ADJUSTMENT = "bias_adjusted"
_OPEN = "Too many draws leave this open: the forecasts part the «nouns» with and without the condition."


@dataclass(frozen=True)
class _Stated:
    """A set of forecasts: what it is about, the first columns of both tables, and its knees (n,).

    `places` are those among the knees of the condition's model, `probability` what was stated of each.
    """

    condition: str
    forecast: str
    group_by: str
    group: str
    places: np.ndarray
    probability: FloatArray

    @property
    def key(self) -> dict[str, object]:
        names = ("condition", "forecast", "group_by", "group")
        return {name: getattr(self, name) for name in names} | {"adjustment": _ADJUSTMENT}


@dataclass(frozen=True)
class Tallied:
    """Draws of knees and of those with the condition, (draws, K), at each of K distinct probabilities."""

    counts: Counts

    def measures(self, clip: float) -> dict[str, FloatArray]:
        """Draws of every measure, (draws,)."""
        x = logit(self.counts.values, clip)
        return {
            "brier": brier(self.counts),
            "intercept": calibration_in_the_large(self.counts, x),
            "slope": joint_model(self.counts, x)[1],
            "auc": auc(self.counts),
            "log_score": logarithmic(self.counts, clip),
        }


def bias_adjusted_calibration(
    stated: pl.DataFrame,
    records: StatusRecords,
    models: BiasModels,
    examiners: tuple[str, ...],
    contract: Contract,
    protocol: Protocol,
) -> CalibrationTables:
    """Measure stated probabilities in all eligible knees: overall, by role, and by each of `examiners`.

    `stated` holds row (of the records), condition, forecast and probability; a knee's status is that of its index exam.
    In each draw knees have a status and people a weight: medians and percentiles of the measures, and of the share with
    the condition among forecasts of about one value, with the expected number of knees. A verdict is given where the
    limits of the slope exclude 1. Nothing is said where the condition's model is withheld, under the protocol's floor
    of knees, events and non-events, or with fewer than 10 verified knees.

    Source: Cox DR. Biometrika 1958;45:562–565 (slope); `draws` for the weights.
    """
    measures: list[dict[str, object]] = []
    curves: list[dict[str, object]] = []
    for code, model in models.fitted.items():
        whole = " ".join(dict.fromkeys(held_back(model, contract).values()))
        cells = list(_cells(stated.filter(condition=code), records, model, examiners))
        drawn = _tallied(model.draws, [cell for cell in cells if not whole])
        for place, cell in enumerate(cells):
            why = whole or _lacking(cell, model, protocol)
            found = None if why else drawn[place]
            measures += _measure_rows(cell, found, why, model, protocol)
            curves += _count_rows(cell, found, why, model, protocol)
    return CalibrationTables(
        table_of("calibration", measures),
        table_of("calibration_curve", curves),
    )


def verdict(low: float | None, high: float | None) -> str | None:
    """What limits of the slope say of forecasts; None where they hold 1."""
    if high is not None and high < 1:
        return "overconfident"
    return "underconfident" if low is not None and low > 1 else None


def _cells(
    stated: pl.DataFrame, records: StatusRecords, model: ConditionModel, examiners: tuple[str, ...]
) -> Iterator[_Stated]:
    """Every forecast overall and by role, on index exams, and by examiner, each with own first exams."""
    place = records.places(model.knees)
    is_index = np.zeros(records.exams.height, bool)
    is_index[model.knees.rows] = True
    names = [(OVERALL, ALL, is_index)]
    if "role" in records.exams.columns:
        role = records.exams["role"].cast(pl.String)
        names += [("role", label, is_index & (role == label).to_numpy()) for label in role.unique().sort()]
    who = records.exams["examiner"].to_numpy()
    names += [("examiner", label, who == number) for number, label in enumerate(examiners, 1)]
    for (forecast,), part in stated.group_by("forecast", maintain_order=True):
        row, said = part["row"].to_numpy(), part["probability"].to_numpy().round(12)
        for group_by, group, inside in names:
            taken = inside[row] & (place[row] >= 0)
            if taken.any():
                yield _Stated(model.knees.condition, str(forecast), group_by, group, place[row[taken]], said[taken])


def _tallied(draws: StatusDraws, cells: list[_Stated]) -> list[Tallied]:
    """Draws behind each set of forecasts, all in one pass over the knees."""
    values = [np.unique(cell.probability) for cell in cells]
    sets = [cell.places[cell.probability == p] for cell, some in zip(cells, values, strict=True) for p in some]
    present, absent = count(replace(draws, draws=min(draws.draws, _DRAWS)), sets)
    ends = np.cumsum([some.size for some in values])
    return [
        Tallied(Counts(some, (present + absent)[end - some.size : end].T, present[end - some.size : end].T))
        for some, end in zip(values, ends, strict=True)
    ]


def _lacking(cell: _Stated, model: ConditionModel, protocol: Protocol) -> str:
    """What keeps these forecasts under the floor; empty where nothing does."""
    knees, events = protocol.calibration.min_knees, protocol.calibration.min_events
    n, with_it = cell.places.size, float(model.draws.chance[cell.places].sum())
    verified = int(model.knees.is_verified[cell.places].sum())
    if n >= knees and min(with_it, n - with_it) >= events and verified >= FEWEST_READINGS:
        return ""
    return (
        f"Too few to say: {n} «nouns» with a stated probability, {verified} of them verified, about {with_it:.0f} with "
        f"the condition; needs {knees}, {FEWEST_READINGS} of them verified, {events} with and {events} without."
    )


def _measure_rows(
    cell: _Stated, found: Tallied | None, why: str, model: ConditionModel, protocol: Protocol
) -> Iterator[dict[str, object]]:
    people = int(np.unique(model.knees.participants[cell.places]).size)
    is_few = people < protocol.display.min_participants
    drawn = found.measures(protocol.calibration.clip) if found else {}
    for name in MEASURES:
        middle, low, high = _limits(drawn[name], people, protocol) if found else (None, None, None)
        is_said = name == "slope" and not is_few
        yield cell.key | {
            "measure": name,
            "estimate": middle,
            "ci_low": low,
            "ci_high": high,
            "n": cell.places.size,
            "events": round(float(model.draws.chance[cell.places].sum())),
            "participants": people,
            "expected_by_chance": None,
            "verdict": verdict(low, high) if is_said else None,
            "flag": _flag(middle, why, model, protocol) if why or not is_few else "too_few",
            "note": why or (_OPEN if middle is None or low is None or high is None else None),
        }


def _flag(value: float | None, why: str, model: ConditionModel, protocol: Protocol) -> str | None:
    if why:
        return "withheld"
    return standing(model, protocol) if value is not None else "not_estimable"


def _count_rows(
    cell: _Stated, found: Tallied | None, why: str, model: ConditionModel, protocol: Protocol
) -> Iterator[dict[str, object]]:
    """Forecasts of about one value: how many, and how many of them, and which share, are expected to have it."""
    centre = bins(cell.probability)
    chance = model.draws.chance[cell.places]
    for value in np.unique(centre):
        inside = centre == value
        middle: float | None = None
        low, high = middle, middle
        if found:
            of_value = bins(found.counts.values) == value
            whole = found.counts.trials[:, of_value].sum(axis=1)
            with np.errstate(invalid="ignore"):
                share = found.counts.events[:, of_value].sum(axis=1) / whole
            people = int(np.unique(model.knees.participants[cell.places[inside]]).size)
            middle, low, high = _limits(share, people, protocol)
        yield cell.key | {
            "curve": "counts",
            "predicted": float(value),
            "observed": middle,
            "band_low": low,
            "band_high": high,
            "n": int(inside.sum()),
            "expected": float(chance[inside].sum()) if found else None,
            "flag": "withheld" if why else standing(model, protocol),
            "note": why or None,
        }


def _limits(draws: FloatArray, people: int, protocol: Protocol) -> tuple[float | None, float | None, float | None]:
    """Median and limits of draws; None where one is not finite."""
    low, high = percentile_limits(draws, protocol.intervals.level, people)
    finite = draws[~np.isnan(draws)]
    middle = float(np.median(finite)) if finite.size else np.nan
    one, two, three = (float(x) if np.isfinite(x) else None for x in (middle, low, high))
    return one, two, three

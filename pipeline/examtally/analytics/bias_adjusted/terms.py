"""The terms that foretell a knee's status, and what is believed of each beforehand.

Every column is centred over the knees where it is known and 0 where it is not; all but the stated probability are then
scaled to a standard deviation of 1 over all knees, so that one prior means the same for each.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import logit

from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.verification_bias.terms import clear_findings, levels
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol

_CLIP = 0.02
_FEWEST = 5  # knees on either side below which a 0/1 column says nothing worth a term
_RIDGE = 0.1  # share of the imaged knees that stands against each column where readings are foretold
_WEAK_LEVELS = ("age_band", "acuity", "guarding", "role")

INTERCEPT = (-1.5, 2.5)
OWN, _OWN_UNCLEAR = (0.3, 0.8), (0.0, 0.5)
STATED, _NOT_STATED = (0.7, 0.3), (0.0, 0.5)
_OF_THE_JOINT = (0.0, 1.0)
_OTHER_READING = (0.0, 1.0)


@dataclass(frozen=True)
class Terms:
    """Columns (n, k) with their names; normal priors by mean and spread (k,); spread is 1 where `is_weak` (k,).

    A weak term has the prior normal(0, tau), tau sampled with the rest.
    """

    columns: FloatArray
    names: tuple[str, ...]
    mean: FloatArray
    spread: FloatArray
    is_weak: BoolArray


class TermList:
    """Terms under way; a column that is constant or a copy of an earlier one is left out."""

    def __init__(self, knees: int) -> None:
        self._knees = knees
        self._columns: list[FloatArray] = []
        self._names: list[str] = []
        self._priors: list[tuple[float, float] | None] = []
        self._seen: set[bytes] = set()

    def add(
        self,
        name: str,
        values: FloatArray,
        prior: tuple[float, float] | None,
        known: BoolArray | None = None,
        *,
        is_scaled: bool = True,
    ) -> None:
        """Add a column (n,); `prior` None makes it weak. Values not `known` are set to the mean of the others."""
        known = np.ones(self._knees, bool) if known is None else known
        if not known.any():
            return
        centred = np.where(known, values - values[known].mean(), 0.0)
        spread = float(centred.std())
        distinct, counts = np.unique(centred, return_counts=True)
        is_rare = distinct.size < 2 or (distinct.size == 2 and counts.min() < _FEWEST)
        if is_rare or spread < 1e-9:
            return
        column = centred / spread if is_scaled else centred
        mark = np.round(column, 9).tobytes()
        if mark in self._seen:
            return
        self._seen.add(mark)
        self._columns.append(column)
        self._names.append(name)
        self._priors.append(prior)

    def done(self) -> Terms:
        """All terms so far."""
        priors = [prior or (0.0, 1.0) for prior in self._priors]
        return Terms(
            columns=np.column_stack(self._columns) if self._columns else np.zeros((self._knees, 0)),
            names=tuple(self._names),
            mean=np.array([mean for mean, _ in priors]),
            spread=np.array([spread for _, spread in priors]),
            is_weak=np.array([prior is None for prior in self._priors], dtype=bool),
        )


def status_terms(
    frame: pl.DataFrame, others: pl.DataFrame, condition: str, contract: Contract, protocol: Protocol
) -> Terms:
    """Return the terms of one condition for the knees of `frame`, (n, k).

    `frame` holds, row by row, the verification frame's columns and those of the cohort's status frame for the index
    exams of the condition; `others`, with `place` for its row in `frame`, what other hands and later visits found.

    Source: methods, section 10; priors as listed there.
    """
    terms = TermList(frame.height)
    own = [m for code, m in contract.catalogue.pairs if code == condition]
    for maneuver in own:
        clear, positive = clear_findings(frame[f"result_{maneuver}"])
        terms.add(maneuver, positive.astype(float), OWN, clear)
        terms.add(f"{maneuver}_unclear", (~clear).astype(float), _OWN_UNCLEAR)
    stated = frame[f"impression_{condition}"].cast(pl.Float64).to_numpy()
    known = ~np.isnan(stated)
    odds = logit(np.clip(np.where(known, stated, 0.5), _CLIP, 1 - _CLIP))
    terms.add("stated", odds, STATED, known, is_scaled=False)
    terms.add("not_stated", (~known).astype(float), _NOT_STATED)
    for term in contract.catalogue.model_terms.values():
        if term.column not in contract.catalogue.conditions[condition].stated_in:
            codes = frame[contract.catalogue.grouping_of(term.column)]
            terms.add(term.name, _is(codes, *term.codes), _OF_THE_JOINT, (codes != "unknown").to_numpy())
    _add_weak(terms, frame, own, protocol)
    for visit, name, values in _by_others(others, frame.height):
        terms.add(f"{visit}_{name}", values, None)
    return terms.done()


def _add_weak(terms: TermList, frame: pl.DataFrame, own: list[str], protocol: Protocol) -> None:
    age = frame["age_years"].cast(pl.Float64).to_numpy()
    terms.add("age_years", np.nan_to_num(age), None, ~np.isnan(age))
    for name in (*_WEAK_LEVELS, "activity", "mechanism"):
        variable = levels(name, frame[name])
        for term, column in zip(variable.terms, variable.columns.T, strict=True):
            terms.add(term, column, None)
    for name in (column for column in frame.columns if column.startswith("history_")):
        answer = frame[name]
        terms.add(name, _is(answer, "yes"), None, answer.is_in(["yes", "no"]).to_numpy())
    for maneuver in (code for code in protocol.core if code not in own):
        clear, positive = clear_findings(frame[f"result_{maneuver}"])
        terms.add(maneuver, positive.astype(float), None, clear)


def _by_others(others: pl.DataFrame, knees: int) -> Iterator[tuple[str, str, FloatArray]]:
    for visit in ("same_day", "later"):
        part = others.filter(pl.col("visit") == visit)
        for name in ("positive", "negative", "odds"):
            values = np.zeros(knees)
            values[part["place"].to_numpy()] = part[name].to_numpy()
            yield visit, name, values


def with_other_readings(terms: Terms, readings: dict[str, FloatArray]) -> Terms:
    """Add, for imaged knees, what was read of other conditions less what the terms foretell of it.

    `readings` holds (n,) by condition: 1 present, 0 absent, NaN without a reading. Who is operated on depends on them;
    as a residual that is 0 for knees without a reading they leave the other coefficients what they are.
    """
    added = TermList(terms.columns.shape[0])
    for condition, reading in readings.items():
        read = ~np.isnan(reading)
        if min((reading[read] == 1).sum(), (reading[read] == 0).sum()) < 2 * _FEWEST:
            continue
        design, centred = terms.columns[read], reading[read] - reading[read].mean()
        penalty = _RIDGE * read.sum() * np.eye(design.shape[1])
        residual = np.zeros(reading.size)
        residual[read] = centred - design @ np.linalg.solve(design.T @ design + penalty, design.T @ centred)
        residual[read] /= max(float(residual[read].std()), 1e-9)
        added.add(f"{condition}_read", residual, _OTHER_READING, read, is_scaled=False)
    more = added.done()
    return Terms(
        columns=np.column_stack([terms.columns, more.columns]),
        names=(*terms.names, *more.names),
        mean=np.r_[terms.mean, more.mean],
        spread=np.r_[terms.spread, more.spread],
        is_weak=np.r_[terms.is_weak, more.is_weak],
    )


def _is(values: pl.Series, *codes: str) -> FloatArray:
    return values.is_in(codes).to_numpy().astype(np.float64)

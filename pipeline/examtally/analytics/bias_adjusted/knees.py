"""The knees of one condition: what foretells its status, what was read, and what surgery showed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import polars as pl

from examtally.analytics.bias_adjusted.terms import TermList, Terms, status_terms, with_other_readings
from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.contracts.catalogue.clinical import Condition
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol


@dataclass(frozen=True)
class StatusRecords:
    """The frames that every condition takes its knees from.

    `exams`: the verification frame beside the `exams` of the cohort's status frames, row by row; `readings` and
    `others` as there.
    """

    exams: pl.DataFrame
    readings: pl.DataFrame
    others: pl.DataFrame

    @classmethod
    def of(
        cls, verification: pl.DataFrame, exams: pl.DataFrame, readings: pl.DataFrame, others: pl.DataFrame
    ) -> StatusRecords:
        """Put the frames side by side; ValueError where they are not of the same exams."""
        if verification.height != exams.height:
            raise ValueError("verification frame and status frame: the same exams in the same order")
        return cls(pl.concat([verification, exams], how="horizontal"), readings, others)

    def places(self, knees: StatusKnees) -> npt.NDArray[np.int64]:
        """Where each exam's knee stands among `knees`, whoever examined it; -1 where it does not."""
        knee = self.exams["knee"].to_numpy()
        found = np.full(int(knee.max(initial=-1)) + 1, -1)
        found[knee[knees.rows]] = np.arange(knees.rows.size)
        return np.asarray(found[knee])


@dataclass(frozen=True)
class StatusKnees:
    """Mature index exams for one condition, n of them.

    `frame` is their part of the exams, `rows` (n,) where they stand in it, `participants` (n,) whose they are. `reads`
    (n, m) is what each of the erring `modalities` said: 1 present, 0 absent, NaN nothing usable. `truth` (n,) likewise
    for what is taken as true.
    """

    condition: str
    frame: pl.DataFrame
    rows: npt.NDArray[np.int64]
    participants: npt.NDArray[np.int64]
    terms: Terms
    modalities: tuple[str, ...]
    reads: FloatArray
    truth: FloatArray

    @cached_property
    def is_read(self) -> BoolArray:
        """Whether a modality that errs gave a usable reading."""
        return np.asarray((~np.isnan(self.reads)).any(axis=1))

    @cached_property
    def is_known(self) -> BoolArray:
        """Whether a test taken as true settled it."""
        return np.asarray(~np.isnan(self.truth))

    @cached_property
    def is_verified(self) -> BoolArray:
        """Whether anything said anything."""
        return np.asarray(self.is_read | self.is_known)

    @property
    def said(self) -> tuple[int, int]:
        """Knees called present by anything, and knees called absent by anything."""
        every = np.column_stack([self.reads, self.truth])
        return int((every == 1).any(axis=1).sum()), int((every == 0).any(axis=1).sum())

    @property
    def is_telling(self) -> BoolArray:
        """Whether a knee tells of the parameters.

        Those with a usable reading do: who is operated on goes by what was read. A knee operated on without one does
        only where that is the rule, and surgery went by something else.
        """
        unread = int((self.is_known & ~self.is_read).sum())
        return self.is_verified if 2 * unread > int(self.is_known.sum()) else self.is_read


def condition_knees(records: StatusRecords, condition: str, contract: Contract, protocol: Protocol) -> StatusKnees:
    """Take the knees of one condition from the records."""
    exams = records.exams
    is_taken = exams.select(pl.col(f"index_{condition}") & pl.col(f"status_{condition}").is_not_null()).to_series()
    rows = np.flatnonzero(is_taken.to_numpy())
    frame = exams.filter(is_taken)
    others = records.others.filter(pl.col("condition") == condition)
    others = others.with_columns(place=pl.Series(np.searchsorted(rows, others["row"].to_numpy()), dtype=pl.Int64))
    accepted = protocol.reference.accepted[condition]
    declared = contract.catalogue.conditions[condition]
    trusted = declared.taken_as_true
    read = {modality: _reading(records, declared, modality, rows) for modality in accepted}
    modalities = tuple(m for m in accepted if m not in trusted and not np.isnan(read[m]).all())
    truth = np.full(rows.size, np.nan)
    for modality in reversed([m for m in accepted if m in trusted]):
        truth = np.where(np.isnan(read[modality]), truth, read[modality])
    terms = TermList(rows.size).done()
    if not declared.derived_from:
        terms = status_terms(frame, others, condition, contract, protocol)
    if trusted and not declared.derived_from:
        terms = with_other_readings(terms, _other_readings(records, condition, rows, contract, protocol))
    reads = np.column_stack([read[m] for m in modalities]) if modalities else np.empty((rows.size, 0))
    participants = frame["participant"].cast(pl.Int64).to_numpy() - 1
    return StatusKnees(condition, frame, rows, participants, terms, modalities, reads, truth)


def _reading(records: StatusRecords, condition: Condition, modality: str, rows: npt.NDArray[np.int64]) -> FloatArray:
    """What one modality said of the knees, 1 present, 0 absent, NaN nothing or both, (n,).

    Of a condition derived from others it said present where it did of any part, absent where it did of all.
    """
    if condition.derived_from:
        parts = np.array([_said(records, part, modality)[rows] for part in condition.derived_from])
        return np.where((parts == 1).any(axis=0), 1.0, np.where((parts == 0).all(axis=0), 0.0, np.nan))
    return np.asarray(_said(records, condition.code, modality)[rows])


def _said(records: StatusRecords, condition: str, modality: str) -> FloatArray:
    """What one modality said of every exam of the records."""
    part = records.readings.filter(pl.col("condition") == condition, pl.col("modality") == modality)
    everyone = np.full(records.exams.height, np.nan)
    everyone[part["row"].to_numpy()] = part["present"].cast(pl.Float64).to_numpy()
    return everyone


def _other_readings(
    records: StatusRecords, condition: str, rows: npt.NDArray[np.int64], contract: Contract, protocol: Protocol
) -> dict[str, FloatArray]:
    """What erring modalities said of the other conditions that are core or that surgery can settle."""
    found = {}
    for code, other in contract.catalogue.conditions.items():
        accepted = protocol.reference.accepted.get(code, ())
        if code == condition or other.derived_from or not (other.core or other.taken_as_true):
            continue
        read = [_reading(records, other, m, rows) for m in accepted if m not in other.taken_as_true]
        if read:
            found[code] = np.fmax.reduce(read)
    return found

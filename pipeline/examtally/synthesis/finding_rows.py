"""The rows of the findings table: one a finding on the sheet, with its reason, sign, grade, measure and end point."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from examtally.synthesis.chance import Weights
from examtally.synthesis.clinical_sections import ByResult, Measuring
from examtally.synthesis.features import BLANK, Array, Bools, Coded, Features
from examtally.synthesis.findings import EQUIVOCAL, NEGATIVE, NOT_DONE, POSITIVE, RESULTS, Found
from examtally.synthesis.population import DrawContext
from examtally.synthesis.scenario import ManeuverPlan


def finding_rows(context: DrawContext, exams: Features, found: Found) -> pl.DataFrame:
    """Columns of the findings table, with `row` (the exam's place) instead of its id; by exam, then catalogue order."""
    order = _done_order(context, exams, found)
    frames = [
        _FindingSheet(context, exams, code, plan, found.result[:, column]).rows(order[:, column])
        for column, (code, plan) in enumerate(context.scenario.maneuvers.items())
    ]
    return pl.concat(frames).sort("row", maintain_order=True)


@dataclass(frozen=True)
class _FindingSheet:
    """One maneuver in every exam."""

    context: DrawContext
    exams: Features
    code: str
    plan: ManeuverPlan
    result: npt.NDArray[np.int8]

    def rows(self, order: Array) -> pl.DataFrame:
        """One row for each exam in which it stands on the sheet."""
        stands = self.result != BLANK
        done = stands & (self.result != NOT_DONE)
        columns: dict[str, Array | pl.Series] = {"row": np.arange(self.exams.rows)}
        columns["maneuver"] = pl.repeat(self.code, self.exams.rows, eager=True)
        columns["result"] = words(RESULTS, self.result)
        columns.update(self._details(done))
        columns["done_order"] = whole(order)
        return pl.DataFrame(columns).filter(pl.Series(stands))

    def _details(self, done: Bools) -> Mapping[str, pl.Series]:
        plan, random = self.plan, self.context.random(f"details {self.code}")
        self.exams.add(driver=self._driver())
        sign = self._sign(random, plan.signs) if plan.signs else None
        grade = self._grade(random, plan.grades) if plan.grades else None
        measure, by = self._measure(random, plan.measure) if plan.measure else (None, None)
        end_points = self.context.scenario.writing.end_points
        end_point = self._end_point(random, end_points) if plan.end_point and end_points else None
        return {
            "reason": self._words(self._reason(random)),
            "sign": self._words(sign),
            "pain": self._words(self._pain(random).where(done)),
            "grade": grade if grade is not None else self._empty(pl.Int64),
            "measure": measure if measure is not None else self._empty(pl.Float64),
            "measured_by": self._words(by),
            **{column: self._own(random, done, column) for column in self._own_columns},
            "end_point": self._words(end_point),
        }

    def _driver(self) -> Array:
        """1 where what the maneuver looks for is truly there; 0 elsewhere, and where it looks for nothing."""
        return self.exams.numbers[self.plan.driver] if self.plan.driver else np.zeros(self.exams.rows)

    def _reason(self, random: np.random.Generator) -> Coded:
        reason = self.plan.habits.reasons.draw(random, self.exams)
        return reason.where((self.result == EQUIVOCAL) | (self.result == NOT_DONE))

    def _sign(self, random: np.random.Generator, signs: Weights) -> Coded:
        written = self._share(random, self.plan.habits.sign_recorded)
        return signs.draw(random, self.exams).where(written & (self.result == POSITIVE))

    def _pain(self, random: np.random.Generator) -> Coded:
        habits = self.plan.habits
        self.exams.add(positive=self.result == POSITIVE)
        hurts = habits.pain.draw(random, self.exams)
        return Coded(("no", "yes"), hurts.astype(np.int64)).where(self._share(random, habits.pain_recorded))

    def _grade(self, random: np.random.Generator, plan: ByResult) -> pl.Series:
        written = self._share(random, plan.recorded)
        drawn = self._by_result(random, plan.positive, plan.negative)
        grades = np.array([*(int(grade) for grade in drawn.codes), BLANK])[drawn.index]
        self.exams.add(grade=np.maximum(grades, 0))
        return whole(np.where(written, grades, BLANK))

    def _measure(self, random: np.random.Generator, plan: Measuring) -> tuple[pl.Series, Coded]:
        levels = [plan.positive.draw(random, self.exams), plan.negative.draw(random, self.exams)]
        value = np.round(np.where(self.result == POSITIVE, *levels), plan.decimals) + 0.0
        written = self._share(random, plan.recorded) & self._is_clear()
        by = plan.by.draw(random, self.exams).where(written)
        return pl.Series(np.where(written, value, np.nan)).fill_nan(None), by

    def _end_point(self, random: np.random.Generator, plan: ByResult) -> Coded:
        written = self._share(random, plan.recorded)
        return self._by_result(random, plan.positive, plan.negative).where(written)

    @property
    def _own_columns(self) -> tuple[str, ...]:
        """The columns of findings that only this joint has and some maneuver fills."""
        plans = self.context.scenario.maneuvers.values()
        return tuple(dict.fromkeys(column for plan in plans for column in plan.columns))

    def _own(self, random: np.random.Generator, done: Bools, column: str) -> pl.Series:
        """What is written in a column that only this joint has."""
        if column not in self.plan.columns:
            return self._empty(pl.Int64)
        drawn = self.context.within("findings", column, self.plan.columns[column].draw(random, self.exams))
        written = done & self._share(random, self.context.scenario.writing.columns.get(column, 1.0))
        return pl.Series(np.where(written, drawn, np.nan)).fill_nan(None).cast(pl.Int64)

    def _by_result(self, random: np.random.Generator, positive: Weights, negative: Weights) -> Coded:
        """A code from one set for positive findings, from another for negative ones, blank elsewhere."""
        codes = tuple(dict.fromkeys((*positive.codes, *negative.codes)))
        drawn = [recoded(weights.draw(random, self.exams), codes) for weights in (positive, negative)]
        index = np.where(self.result == POSITIVE, *drawn)
        return Coded(codes, np.where(self._is_clear(), index, BLANK))

    def _is_clear(self) -> Bools:
        return np.asarray((self.result == POSITIVE) | (self.result == NEGATIVE))

    def _share(self, random: np.random.Generator, share: float) -> Bools:
        return random.random(self.exams.rows) < share

    def _words(self, coded: Coded | None) -> pl.Series:
        if coded is None:
            return self._empty(pl.String)
        return words(coded.codes, coded.index)

    def _empty(self, kind: type[pl.DataType]) -> pl.Series:
        return pl.Series([None], dtype=kind).new_from_index(0, self.exams.rows)


def _done_order(context: DrawContext, exams: Features, found: Found) -> npt.NDArray[np.int16]:
    """Place of each maneuver in its exam, 1 first; BLANK where not done or where nobody wrote the order down."""
    writing, random = context.scenario.writing, context.random("order")
    place = np.arange(found.result.shape[1]) + writing.order.shuffle * random.standard_normal(
        found.result.shape, dtype=np.float32
    )
    undone = (found.result == BLANK) | (found.result == NOT_DONE)
    place[undone] = np.inf
    rank = np.argsort(np.argsort(place, axis=1, kind="stable"), axis=1).astype(np.int16) + np.int16(1)
    rank[undone | (random.random(exams.rows) >= writing.order.recorded)[:, None]] = BLANK
    return rank


def recoded(column: Coded, codes: tuple[str, ...]) -> Array:
    """The places of a column's codes in another list that holds them all."""
    places = np.array([*(codes.index(code) for code in column.codes), BLANK])
    return places[column.index]


def words(codes: tuple[str, ...], index: Array) -> pl.Series:
    """Codes as text, null where BLANK."""
    places = pl.Series(np.where(index == BLANK, len(codes), index).astype(np.uint32))
    return pl.Series([*codes, None], dtype=pl.String).gather(places)


def whole(numbers: Array, blank: bool = True) -> pl.Series:
    """Whole numbers; null where BLANK, unless every number is meant."""
    series = pl.Series(numbers.astype(np.int64))
    return series.set(series == BLANK, None) if blank else series

"""The record tables of a drawn clinic, with the columns, and in the order, that the contract declares."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from examtally.synthesis.exams import Seen
from examtally.synthesis.features import BLANK, Array, Coded, Features
from examtally.synthesis.finding_rows import finding_rows, whole, words
from examtally.synthesis.findings import Found
from examtally.synthesis.history import ANSWERS, History
from examtally.synthesis.imaging import STATUSES, Test
from examtally.synthesis.people import Population
from examtally.synthesis.population import DrawContext
from examtally.synthesis.stated_probability import StatedProbabilities

_DIGITS = 7


@dataclass(frozen=True)
class Offsets:
    """How many people, exams and reference tests were numbered before this part of the clinic."""

    people: int = 0
    exams: int = 0
    references: int = 0


@dataclass(frozen=True)
class Drawn:
    """Everything drawn for one part of a clinic, hidden truth included."""

    population: Population
    seen: Seen
    found: Found
    history: History
    said: StatedProbabilities
    tests: list[Test]


def examiner_table(context: DrawContext) -> pl.DataFrame:
    """The examiners table: role at the start, and first period where it lies within the records."""
    team, labels = context.scenario.examiners, context.scenario.periods.labels
    return _declared(
        context,
        "examiners",
        {
            "examiner_id": pl.Series([each.code for each in team], dtype=pl.String),
            "role": pl.Series([each.role for each in team], dtype=pl.String),
            "site_id": pl.Series([each.site for each in team], dtype=pl.String),
            "start_period": pl.Series(
                [labels[each.start - 1] if each.start else None for each in team], dtype=pl.String
            ),
        },
    )


def record_tables(context: DrawContext, drawn: Drawn, offsets: Offsets) -> dict[str, pl.DataFrame]:
    """Every other record table of one part of a clinic; rows by person and exam."""
    exam_ids = _ids("X", np.arange(drawn.seen.exams.rows) + offsets.exams)
    return {
        "participants": _participants(context, drawn.population.people, offsets),
        "exams": _exams(context, drawn, exam_ids, offsets),
        "history": _history(context, drawn.history, exam_ids),
        "findings": _findings(context, drawn, exam_ids),
        "impressions": _impressions(context, drawn.said, exam_ids),
        "references": _references(context, drawn, offsets),
    }


def _participants(context: DrawContext, people: Features, offsets: Offsets) -> pl.DataFrame:
    columns = {
        "participant_id": _person_ids(np.arange(people.rows), offsets),
        "age_years": whole(people.numbers["age_years"]),
        "sex": _text(people.coded["sex"]),
        "bmi": whole(people.numbers["bmi"]),
        "activity": _text(people.coded["activity"]),
    }
    return _declared(context, "participants", columns)


def _exams(context: DrawContext, drawn: Drawn, exam_ids: pl.Series, offsets: Offsets) -> pl.DataFrame:
    exams, team = drawn.seen.exams, context.scenario.examiners
    own = ~exams.numbers["comparison"]
    registered = np.array([exams.coded["role"].codes.index(each.role) for each in team])
    promoted = exams.coded["role"].index != registered[exams.numbers["examiner"]]
    own_numbers, own_codes = context.scenario.people.columns, context.scenario.sheet.columns
    coded = (*own_codes, "guarding", "other_exam_known", "setting", "mechanism")
    columns = {
        "exam_id": exam_ids,
        "participant_id": _person_ids(exams.numbers["person"], offsets),
        "joint": pl.repeat(context.scenario.joint, len(exam_ids), dtype=pl.String, eager=True),
        "side": _side(exams.numbers["left"]),
        "episode": whole(1 + exams.numbers["second_complaint"]),
        "examiner_id": words(tuple(each.code for each in team), exams.numbers["examiner"]),
        "examiner_role": _text(exams.coded["role"].where(promoted)),
        "examiner_order": whole(exams.numbers["examiner_order"]),
        "period": words(context.scenario.periods.labels, exams.numbers["period"]),
        "exam_day": whole(exams.numbers["exam_day"] + 0, blank=False),
        "complaint": _yes_no(own),
        "days_since_onset": whole(np.where(own, exams.numbers["days_since_onset"], BLANK)),
        "pain_now": whole(exams.numbers["pain_now"]),
        **{column: whole(exams.numbers[column]) for column in own_numbers},
        context.contract.catalogue.other_side_column: _text(exams.coded["other_side"]),
        "prior_surgery": _prior_surgery(context, drawn),
        "reference_known": _reference_known(drawn),
        **{name: _text(exams.coded[name]) for name in coded},
    }
    return _declared(context, "exams", columns)


def _history(context: DrawContext, history: History, exam_ids: pl.Series) -> pl.DataFrame:
    row, column = np.nonzero(history.answer != BLANK)
    return _declared(
        context,
        "history",
        {
            "exam_id": exam_ids.gather(row),
            "item": words(history.items, column),
            "answer": words(ANSWERS, history.answer[row, column]),
        },
    )


def _findings(context: DrawContext, drawn: Drawn, exam_ids: pl.Series) -> pl.DataFrame:
    rows = finding_rows(context, drawn.seen.exams, drawn.found)
    return _declared(context, "findings", {"exam_id": exam_ids.gather(rows["row"]), **rows.drop("row").to_dict()})


def _impressions(context: DrawContext, said: StatedProbabilities, exam_ids: pl.Series) -> pl.DataFrame:
    row, column = np.nonzero(said.written)
    columns = {
        "exam_id": exam_ids.gather(row),
        "condition": words(tuple(condition for condition, _ in said.columns), column),
        "stage": words(tuple(stage for _, stage in said.columns), column),
        "probability": pl.Series(said.probability[row, column]),
    }
    return _declared(context, "impressions", columns)


def _references(context: DrawContext, drawn: Drawn, offsets: Offsets) -> pl.DataFrame:
    visits, number, frames = drawn.seen.visits, offsets.references, []
    for test in drawn.tests:
        ids = _ids("T", np.arange(len(test.visit)) + number)
        number += len(test.visit)
        clock = visits.numbers["origin_day"] - visits.numbers["entry_day"]
        shared = pl.DataFrame(
            {
                "reference_id": ids,
                "participant_id": _person_ids(visits.numbers["person"][test.visit], offsets),
                "joint": pl.repeat(context.scenario.joint, len(ids), dtype=pl.String, eager=True),
                "side": _side(visits.numbers["left"][test.visit]),
                "episode": whole(1 + visits.numbers["second_complaint"][test.visit]),
                "modality": pl.repeat(test.modality, len(ids), dtype=pl.String, eager=True),
                "reference_day": whole(test.day + clock[test.visit], blank=False),
                "reader_id": pl.Series(test.reader.tolist(), dtype=pl.String),
                "exam_known": _text(test.exam_known),
            }
        )
        frames += [
            shared.with_columns(
                pl.lit(condition).alias("condition"),
                words(STATUSES, said.status).alias("status"),
                pl.Series("severity", said.severity.tolist(), dtype=pl.String),
                pl.Series("pattern", said.pattern.tolist(), dtype=pl.String),
            ).filter(pl.Series(said.mentioned))
            for condition, said in test.said.items()
        ]
    table = pl.concat(frames).sort("participant_id", "reference_day", "reference_id", "condition")
    return _declared(context, "references", table.to_dict())


def _prior_surgery(context: DrawContext, drawn: Drawn) -> pl.Series:
    """As told, and yes where the knee was operated on after an earlier complaint."""
    exams, knees = drawn.seen.exams, drawn.population.knees
    operated = np.full(knees.rows, np.iinfo(np.int64).max)
    for test in drawn.tests:
        if context.scenario.references[test.modality].operation:
            np.minimum.at(operated, test.complaint * 2, test.day)
    earlier = knees.numbers["earlier"][exams.numbers["knee"]]
    since = (earlier != BLANK) & (operated[earlier] < exams.numbers["day"])
    told = _text(exams.coded["prior_surgery"])
    return told.zip_with(pl.Series(~since), pl.repeat("yes", len(told), eager=True))


def _reference_known(drawn: Drawn) -> pl.Series:
    """Whether a result was known: mostly where a reading of that knee was to hand."""
    exams = drawn.seen.exams
    first = np.full(drawn.population.complaints.rows, np.iinfo(np.int64).max)
    for test in drawn.tests:
        np.minimum.at(first, test.complaint, test.day)
    to_hand = ~exams.numbers["comparison"] & (first[exams.numbers["complaint"]] < exams.numbers["day"])
    after, before = _text(exams.coded["reference_known_after"]), _text(exams.coded["reference_known"])
    return after.zip_with(pl.Series(to_hand), before)


def _declared(context: DrawContext, table: str, columns: Mapping[str, pl.Series]) -> pl.DataFrame:
    """The declared columns in declared order, null where the clinic has none, with the cells it leaves blank."""
    fields = context.contract.tables[table].fields
    rows = len(next(iter(columns.values())))
    kinds = {"string": pl.String, "integer": pl.Int64, "number": pl.Float64}
    frame = pl.DataFrame(
        {
            field.name: columns[field.name]
            if field.name in columns
            else pl.repeat(None, rows, dtype=kinds[field.type], eager=True)
            for field in fields
        }
    )
    blanks, random = context.scenario.blanks.get(table, {}), context.random(f"blanks {table}")
    return frame.with_columns(
        pl.when(pl.Series(random.random(rows) >= share)).then(pl.col(column)).alias(column)
        for column, share in blanks.items()
    )


def _ids(letter: str, numbers: Array) -> pl.Series:
    return pl.select(pl.lit(f"{letter}-") + pl.Series(numbers + 1).cast(pl.String).str.zfill(_DIGITS)).to_series()


def _person_ids(person: Array, offsets: Offsets) -> pl.Series:
    return _ids("N", person + offsets.people)


def _text(column: Coded) -> pl.Series:
    return words(column.codes, column.index)


def _side(left: Array) -> pl.Series:
    return words(("right", "left"), left.astype(np.int64))


def _yes_no(values: Array) -> pl.Series:
    return words(("no", "yes"), values.astype(np.int64))

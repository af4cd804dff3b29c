"""Drawing a clinic: people, truth, exams, findings, statements and references, in parts of bounded size."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from examtally.synthesis.chance import Streams
from examtally.synthesis.exams import draw_exams
from examtally.synthesis.features import Bools, Features
from examtally.synthesis.findings import Found, add_positives, find
from examtally.synthesis.history import tell
from examtally.synthesis.imaging import draw_references
from examtally.synthesis.people import draw_population
from examtally.synthesis.population import DrawContext
from examtally.synthesis.record_tables import Drawn, Offsets, examiner_table, record_tables
from examtally.synthesis.scenario import Scenario
from examtally.synthesis.skill import Hands, draw_hands
from examtally.synthesis.stated_probability import StatedModels, StatedProbabilities, learn_stated_models, say

LARGEST_PART = 40_000
_LEARNED_FROM = 4_000
_PILOT_PEOPLE = 3_000
_PILOT_PART, _REFERENCE_PART = 2**32 - 1, 2**32 - 2


@dataclass(frozen=True)
class Reference:
    """A large population of the scenario, seen by the same hands; nothing of it is written.

    One row a first exam: of the knee of a person's first complaint, by the first hands at the first visit, outside the
    operating room, the knee never operated on. It is the population that parameters are stated for.
    """

    exams: Features
    found: Found
    said: StatedProbabilities


@dataclass(frozen=True)
class Clinic:
    """A scenario at one seed: its examiners' hands and beliefs, and the population its parameters are stated for."""

    context: DrawContext
    hands: Hands
    stated: StatedModels
    reference: Reference


@dataclass(frozen=True)
class Part:
    """Some of the people of a clinic: the record tables, and everything behind them."""

    records: dict[str, pl.DataFrame]
    drawn: Drawn


def open_clinic(scenario: Scenario, seed: int) -> Clinic:
    """Fix the examiners, and let them learn what findings are worth, on a reference population."""
    hands = draw_hands(scenario, Streams(seed))
    context = DrawContext(scenario, scenario.contract, Streams(seed, _REFERENCE_PART), scenario.reference_people)
    population = draw_population(context)
    exams = draw_exams(context, population).exams
    tell(context, exams)
    learned_from = exams.numbers["person"] < _LEARNED_FROM
    first = _is_first_exam(exams)
    exams = exams.at(np.flatnonzero(learned_from | first))
    found = find(context, population, exams, hands)
    lessons = np.flatnonzero(exams.numbers["person"] < _LEARNED_FROM)
    stated = learn_stated_models(context, exams.at(lessons), found.at(lessons))
    rows = np.flatnonzero(_is_first_exam(exams))
    exams, found = exams.at(rows), found.at(rows)
    return Clinic(context, hands, stated, Reference(exams, found, say(context, exams, found, stated)))


def draw_parts(clinic: Clinic, exams: int) -> Iterator[Part]:
    """Draw about `exams` exams, part by part; the first part brings the examiners."""
    per_person = _exams_per_person(clinic)
    number, offsets = 0, Offsets()
    while exams > 0:
        wanted = min(exams, LARGEST_PART)
        streams = Streams(clinic.context.streams.seed, number)
        context = replace(clinic.context, streams=streams, people=max(1, round(wanted / per_person)))
        drawn = draw_part(context, clinic)
        records = {"examiners": examiner_table(context)} if number == 0 else {}
        yield Part(records | record_tables(context, drawn, offsets), drawn)
        offsets = Offsets(
            offsets.people + context.people,
            offsets.exams + drawn.seen.exams.rows,
            offsets.references + sum(len(test.visit) for test in drawn.tests),
        )
        exams, number = exams - wanted, number + 1


def draw_part(context: DrawContext, clinic: Clinic) -> Drawn:
    """Draw some people with everything that happens to them."""
    population = draw_population(context)
    seen = draw_exams(context, population)
    history = tell(context, seen.exams)
    found = find(context, population, seen.exams, clinic.hands)
    add_positives(found, seen.exams)
    said = say(context, seen.exams, found, clinic.stated)
    return Drawn(population, seen, found, history, said, draw_references(context, seen))


def _is_first_exam(exams: Features) -> Bools:
    later = ("comparison", "repeat_visit", "second_hands", "second_complaint")
    barred = exams.coded["setting"].equals("operating_room") | exams.coded["prior_surgery"].equals("yes")
    return np.asarray(~(barred | np.any([exams.numbers[name] for name in later], axis=0)))


def _exams_per_person(clinic: Clinic) -> float:
    """How many exams a person brings on average, from a pilot."""
    streams = Streams(clinic.context.streams.seed, _PILOT_PART)
    pilot = replace(clinic.context, streams=streams, people=_PILOT_PEOPLE)
    return draw_exams(pilot, draw_population(pilot)).exams.rows / pilot.people

"""How people are seen: visits, looks at a knee, hands, and the exams with what is noted of the knee as a whole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from examtally.synthesis.features import BLANK, Bools, Coded, Features, Indices
from examtally.synthesis.people import Population, derive
from examtally.synthesis.population import DrawContext
from examtally.synthesis.scenario import Examiner


@dataclass(frozen=True)
class Seen:
    """Visits in the order of their complaints, and exams in the order of their visits.

    A *look* is one knee at one visit, whoever examines it: look 2v is the knee of the complaint, 2v + 1 the other.
    """

    visits: Features
    exams: Features


def draw_exams(context: DrawContext, population: Population) -> Seen:
    """Draw visits, who examines, and what the sheet says of the knee as a whole."""
    visits = _draw_visits(context, population)
    looks = _draw_looks(context, population, visits)
    visit, examiner, order = _draw_hands(context, visits)
    both = context.scenario.visits.both_sides.draw(context.random("both knees"), visits)[visit]
    hand = np.repeat(np.arange(len(visit)), np.where(both, 2, 1))
    is_other = np.concatenate([[False], hand[1:] == hand[:-1]]) if len(hand) else np.zeros(0, dtype=bool)
    look = visit[hand] * 2 + is_other
    exams = looks.at(look)
    exams.add(
        visit=visit[hand],
        look=look,
        examiner=examiner[hand],
        examiner_order=order[hand],
        second_hands=order[hand] > 1,
        role=_roles(context, examiner[hand], exams.numbers["period"]),
        both_sides=both[hand],
    )
    _fill_sheet(context, exams)
    return Seen(visits, exams)


def first_of_look(exams: Features) -> Indices:
    """For each exam the one by the first hands on that knee that day: itself, or the exam a second pair followed."""
    row = np.arange(exams.rows)
    first = np.zeros(int(exams.numbers["look"].max(initial=0)) + 1, dtype=np.int64)
    is_first = ~exams.numbers["second_hands"]
    first[exams.numbers["look"][is_first]] = row[is_first]
    return first[exams.numbers["look"]]


def _draw_visits(context: DrawContext, population: Population) -> Features:
    plan, random, periods = context.scenario.visits, context.random("visits"), context.scenario.periods
    complaints, knees = population.complaints, population.knees
    low, high = plan.repeat.after_days
    gap = random.integers(low, high + 1, complaints.rows)
    again = plan.repeat.chance.draw(random, knees.at(np.arange(complaints.rows) * 2))
    again &= complaints.numbers["day"] + gap < periods.edges[-1]
    complaint = np.repeat(np.arange(complaints.rows), np.where(again, 2, 1))
    is_repeat = np.concatenate([[False], complaint[1:] == complaint[:-1]]) if len(complaint) else again
    visits = knees.at(complaint * 2)
    waited = np.where(is_repeat, gap[complaint], 0)
    day = complaints.numbers["day"][complaint] + waited
    since = complaints.numbers["onset_days"][complaint] + waited
    visits.add(
        complaint=complaint,
        repeat_visit=is_repeat,
        waited_days=waited,
        day=day,
        exam_day=day - visits.numbers["entry_day"] + visits.numbers["origin_day"],
        period=np.searchsorted(periods.edges, day, side="right") - 1,
        days_since_onset=since,
        acuity=context.banded("acuity", since),
    )
    visits.add(setting=plan.setting.draw(random, visits))
    return visits


def _draw_looks(context: DrawContext, population: Population, visits: Features) -> Features:
    """Both knees at each visit; what heals may have healed, and the knee guards or does not."""
    visit = np.repeat(np.arange(visits.rows), 2)
    knee = visits.numbers["complaint"][visit] * 2 + np.arange(len(visit)) % 2
    looks = population.knees.at(knee)
    names = ("repeat_visit", "waited_days", "day", "exam_day", "period", "days_since_onset")
    looks.update({name: visits.numbers[name][visit] for name in names})
    looks.add(
        complaint=visits.numbers["complaint"][visit],
        knee=knee,
        setting=visits.coded["setting"].at(visit),
        acuity=visits.coded["acuity"].at(visit).where(~looks.numbers["comparison"]),
    )
    for code, plan in context.scenario.conditions.items():
        if plan.half_life_days is not None:
            chance = 0.5 ** (looks.column("waited_days") / plan.half_life_days)
            still = context.random(f"healing {code}").random(looks.rows) < chance
            looks.update({code: looks.numbers[code] & still})
            looks.coded[code] = looks.coded[code].where(still)
    derive(context, looks)
    guards = context.scenario.sheet.guarding.draw(context.random("guarding"), looks)
    looks.add(guarding=Coded(("no", "yes"), guards.astype(np.int64)))
    return looks


def _draw_hands(context: DrawContext, visits: Features) -> tuple[Indices, Indices, Indices]:
    """Visit, examiner and order of each pair of hands, first hands before second."""
    plan, random, team = context.scenario.visits, context.random("hands"), context.scenario.examiners
    loads = _loads(context)
    chosen = (visits.coded["site"].index, visits.coded["setting"].index, visits.numbers["period"])
    first = _choose(random, loads[chosen])
    learner = np.array([each.role in plan.supervised.roles for each in team])
    senior = np.array([each.role in plan.supervised.by for each in team])
    site = np.array([context.scenario.sites.codes.index(each.site) for each in team])
    others = loads[chosen] * (np.arange(len(team)) != first[:, None])
    others *= np.where(learner[first][:, None], senior, True)  # a learner is followed by a supervisor
    others *= site == visits.coded["site"].index[:, None]
    follows = np.where(learner[first], plan.supervised.chance.draw(random, visits), plan.colleague.draw(random, visits))
    second = np.where(follows, _choose(random, others), BLANK)
    visit = np.concatenate([np.arange(visits.rows), np.flatnonzero(second != BLANK)])
    examiner = np.concatenate([first, second[second != BLANK]])
    order = np.concatenate([np.ones(visits.rows, dtype=np.int64), np.full((second != BLANK).sum(), 2)])
    sequence = np.lexsort((order, visit))
    return visit[sequence], examiner[sequence], order[sequence]


def _loads(context: DrawContext) -> np.ndarray[tuple[int, int, int, int], np.dtype[np.float64]]:
    """Share of the work by site, setting, period and examiner."""
    scenario = context.scenario
    settings, periods, team = scenario.visits.setting.codes, len(scenario.periods.labels), scenario.examiners
    loads = np.zeros((len(scenario.sites.codes), len(settings), periods, len(team)))
    for number, each in enumerate(team):
        place = scenario.sites.codes.index(each.site)
        for where, setting in enumerate(settings):
            if not each.settings or setting in each.settings:
                loads[place, where, (each.start or 1) - 1 :, number] = each.load
    return loads


def _choose(random: np.random.Generator, loads: np.ndarray[tuple[int, int], np.dtype[np.float64]]) -> Indices:
    """One column for each row in proportion to its load, BLANK where all are 0."""
    heights = np.cumsum(loads, axis=1)
    mark = random.random(len(loads)) * heights[:, -1]
    return np.where(heights[:, -1] > 0, (mark[:, None] >= heights).sum(axis=1), BLANK)


def _roles(context: DrawContext, examiner: Indices, period: Indices) -> Coded:
    """Role on that day."""
    codes = context.contract.tables["examiners"].field("role").enum or ()
    team: tuple[Examiner, ...] = context.scenario.examiners
    before = np.array([codes.index(each.role) for each in team])
    after = np.array([codes.index(each.promoted[1] if each.promoted else each.role) for each in team])
    since = np.array([each.promoted[0] if each.promoted else len(context.scenario.periods.labels) + 1 for each in team])
    return Coded(codes, np.where(period + 1 >= since[examiner], after[examiner], before[examiner]))


def _fill_sheet(context: DrawContext, exams: Features) -> None:
    """What each examiner notes of the knee as a whole."""
    plan, random = context.scenario.sheet, context.random("sheet")
    exams.add(**{column: weights.draw(random, exams) for column, weights in plan.columns.items()})
    exams.add(
        pain_now=context.within("exams", "pain_now", plan.pain_now.draw(random, exams)),
        reference_known=plan.reference_known.draw(random, exams),
        reference_known_after=plan.reference_known_after.draw(random, exams),
        other_side=plan.other_side.draw(random, exams),
    )
    known = context.scenario.visits.other_exam_known.draw(random, exams)
    second: Bools = exams.numbers["second_hands"]
    exams.add(other_exam_known=Coded(known.codes, np.where(second, known.index, known.codes.index("no"))))

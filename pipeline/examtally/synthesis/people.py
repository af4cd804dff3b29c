"""Who comes and with what: people, their complaints, and the two knees of each complaint with what is truly wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from examtally.synthesis.clinical_sections import ConditionPlan
from examtally.synthesis.features import BLANK, Bools, Coded, Features, Indices
from examtally.synthesis.population import DrawContext

_LATEST_ORIGIN = 60


@dataclass(frozen=True)
class Population:
    """People, complaints and knees.

    `complaints` are in the order of their people; number 2 is a person's second. Knee 2c is the one of complaint c,
    knee 2c + 1 the other. `knees` holds each condition as 0 or 1 and, under the same name, its severity.
    """

    people: Features
    complaints: Features
    knees: Features


def draw_population(context: DrawContext) -> Population:
    """Draw everything that is so before anybody is examined."""
    people = draw_people(context)
    complaints = draw_complaints(context, people)
    return Population(people, complaints, draw_knees(context, complaints))


def draw_people(context: DrawContext) -> Features:
    """Age, sex, activity, body mass index and girth, and what all findings of a person share."""
    plan, people, random = context.scenario.people, Features(context.people), context.random("people")
    people.add(site=context.scenario.sites.draw(random, people))
    people.add(entry_day=random.integers(0, context.scenario.periods.edges[-1], people.rows))
    people.add(origin_day=random.integers(0, _LATEST_ORIGIN, people.rows))
    shares = np.cumsum(plan.age_shares) / np.sum(plan.age_shares)
    group = np.minimum(np.searchsorted(shares, random.random(people.rows), side="right"), len(plan.ages) - 1)
    first = np.array([each.first for each in plan.ages])[group]
    last = np.array([each.last for each in plan.ages])[group]
    age = random.integers(first, last + 1)
    people.add(age_years=age, age_band=context.banded("age_band", age), decades_over_40=np.maximum(age - 40, 0) / 10)
    people.update({f"person.{family}": random.standard_normal(people.rows) for family in context.scenario.families})
    people.add(sex=plan.sex.draw(random, people))
    people.add(activity=plan.activity.draw(random, people))
    bmi = context.within("participants", "bmi", plan.bmi.draw(random, people))
    people.add(bmi=bmi, bmi_band=context.banded("bmi_band", bmi))
    own = context.contract.catalogue.groupings.values()
    for column, level in plan.columns.items():
        drawn = context.within("exams", column, level.draw(random, people))
        people.update({column: drawn})
        people.add(**{one.name: context.banded(one.name, drawn) for one in own if one.first and one.column == column})
    return people


def draw_complaints(context: DrawContext, people: Features) -> Features:
    """One complaint a person, for some a second, with mechanism and onset."""
    plan, random = context.scenario.complaints, context.random("complaints")
    low, high = plan.second.after_days
    again = plan.second.chance.draw(random, people)
    second_day = people.column("entry_day").astype(np.int64) + random.integers(low, high + 1, people.rows)
    again &= second_day < context.scenario.periods.edges[-1]
    person = np.repeat(np.arange(people.rows), np.where(again, 2, 1))
    is_second = np.concatenate([[False], person[1:] == person[:-1]]) if len(person) else np.zeros(0, dtype=bool)
    left = random.random(people.rows) < 0.5
    changes = random.random(people.rows) >= plan.second.same_side
    complaints = people.at(person)
    complaints.add(
        person=person,
        second_complaint=is_second,
        left=np.where(is_second & changes[person], ~left[person], left[person]),
        day=np.where(is_second, second_day[person], people.numbers["entry_day"][person]),
    )
    complaints.add(mechanism=plan.mechanism.draw(random, complaints))
    complaints.add(trauma=_is_any(complaints.coded["mechanism"], plan.trauma))
    acuity = plan.acuity.draw(random, complaints)
    spans = np.array([plan.days[code] for code in acuity.codes])[acuity.index]
    onset = random.integers(spans[:, 0], spans[:, 1] + 1)
    complaints.add(onset_days=onset, acuity=context.banded("acuity", onset))
    return complaints


def draw_knees(context: DrawContext, complaints: Features) -> Features:
    """Both knees of each complaint, and what is truly wrong with them, condition by condition."""
    knees = complaints.at(np.repeat(np.arange(complaints.rows), 2))
    comparison = np.arange(knees.rows) % 2 == 1
    knees.add(
        comparison=comparison,
        left=knees.numbers["left"] ^ comparison,
        trauma=knees.numbers["trauma"] & ~comparison,
        mechanism=knees.coded["mechanism"].where(~comparison),
        acuity=knees.coded["acuity"].where(~comparison),
    )
    earlier = _earlier(complaints, knees)
    for code, plan in context.scenario.conditions.items():
        _draw_condition(context, knees, code, plan, earlier)
        derive(context, knees)
    surgery = context.scenario.sheet.prior_surgery.draw(context.random("earlier surgery"), knees)
    knees.add(earlier=earlier, prior_surgery=surgery.at(np.where(earlier == BLANK, np.arange(knees.rows), earlier)))
    return knees


def derive(context: DrawContext, rows: Features) -> None:
    """Fill in the conditions that follow from their parts, where all parts are known."""
    for code, condition in context.contract.catalogue.conditions.items():
        if condition.derived_from and all(part in rows.numbers for part in condition.derived_from):
            rows.update({code: np.any([rows.numbers[part] for part in condition.derived_from], axis=0)})


def _draw_condition(context: DrawContext, knees: Features, code: str, plan: ConditionPlan, earlier: Indices) -> None:
    random = context.random(f"condition {code}")
    present = plan.present.draw(random, knees)
    severity = _severity(random, plan, knees, present)
    if plan.half_life_days is None:
        kept = (earlier != BLANK) & present[earlier]
        present = present | kept
        severity = Coded(severity.codes, np.where(kept, severity.index[earlier], severity.index))
    knees.update({code: present})
    knees.coded[code] = severity
    if plan.pattern is not None:
        knees.coded[f"{code} pattern"] = plan.pattern.draw(random, knees).where(present)


def _severity(random: np.random.Generator, plan: ConditionPlan, knees: Features, present: Bools) -> Coded:
    if plan.severity is None:
        return Coded((), np.full(knees.rows, BLANK))
    return plan.severity.draw(random, knees).where(present)


def _earlier(complaints: Features, knees: Features) -> Indices:
    """For each knee of a second complaint the same knee of the first, BLANK elsewhere."""
    complaint = np.arange(knees.rows) // 2
    is_second = complaints.numbers["second_complaint"][complaint]
    first = np.where(is_second, (complaint - 1) * 2, 0)
    same_side = knees.numbers["left"] == knees.numbers["left"][first]
    return np.where(is_second, np.where(same_side, first, first + 1), BLANK)


def _is_any(column: Coded, codes: tuple[str, ...]) -> Bools:
    return np.isin(column.index, [column.codes.index(code) for code in codes if code in column.codes])

"""What reference tests say: who is sent, when the answer comes, and what it says of each condition."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.synthesis.clinical_sections import Reading, ReferencePlan
from examtally.synthesis.exams import Seen, first_of_look
from examtally.synthesis.features import BLANK, Bools, Coded, Features, Indices
from examtally.synthesis.population import DrawContext

STATUSES = ("present", "absent", "indeterminate")
PRESENT, ABSENT, INDETERMINATE = range(3)
_READ_AGAIN_WITHIN = 10


@dataclass(frozen=True)
class Test:
    """One kind of reference test; one row a test. `day` is on the clinic's calendar, `visit` ordered it."""

    modality: str
    complaint: Indices
    visit: Indices
    day: Indices
    reader: npt.NDArray[np.object_]
    exam_known: Coded
    said: dict[str, Answer]


@dataclass(frozen=True)
class Answer:
    """What a test said of one condition, a row a test: what is true, whether the report speaks of it, what it says."""

    truly: Bools
    mentioned: Bools
    status: Indices
    severity: npt.NDArray[np.object_]
    pattern: npt.NDArray[np.object_]


def draw_references(context: DrawContext, seen: Seen) -> list[Test]:
    """Draw every reference test whose answer has come before the last period ends."""
    cases = _deciding(context, seen)
    tests: list[Test] = []
    for modality, plan in context.scenario.references.items():
        test = _draw_test(context, cases, modality, plan, tests)
        tests.append(test)
        _add_answers(cases, test)
    return tests


def _deciding(context: DrawContext, seen: Seen) -> Features:
    """For each visit the exam of the painful knee whose findings decide, with what is known at it."""
    exams = seen.exams
    own = np.flatnonzero(~exams.numbers["comparison"])
    deciding = np.zeros(seen.visits.rows, dtype=np.int64)
    deciding[exams.numbers["visit"][own]] = own  # rows stand in the order of hands: the last one stays
    if not context.scenario.decided_by_last_hands:
        deciding = first_of_look(exams)[deciding]
    return exams.at(deciding)


def _draw_test(context: DrawContext, cases: Features, modality: str, plan: ReferencePlan, earlier: list[Test]) -> Test:
    random = context.random(f"reference {modality}")
    ordered = plan.ordered.draw(random, cases)
    times = plan.days.median * np.exp(
        plan.days.spread * random.standard_normal(cases.rows)
        + sum(np.log(factor) * cases.column(name) for name, factor in plan.days.times.items())
    )
    delay = np.floor(times).astype(np.int64)
    if plan.after is None:
        visit, day = _from_visits(random, cases, plan, ordered, delay)
    else:
        visit, day = _from_test(next(test for test in earlier if test.modality == plan.after), ordered, delay)
    come = day < context.scenario.periods.edges[-1]
    visit, day = visit[come], day[come]
    again = random.random(len(visit)) < plan.read_twice
    visit = np.concatenate([visit, visit[again]])
    day = np.concatenate([day, day[again] + random.integers(0, _READ_AGAIN_WITHIN, again.sum())])
    sent = cases.at(visit)
    return Test(
        modality=modality,
        complaint=cases.numbers["complaint"][visit],
        visit=visit,
        day=day,
        reader=_readers(context, random, sent, plan),
        exam_known=plan.exam_known.draw(random, sent),
        said={
            condition: _say(context, context.random(f"{modality} {condition}"), sent, plan, condition, reading)
            for condition, reading in plan.covers.items()
        },
    )


def _from_visits(
    random: np.random.Generator, cases: Features, plan: ReferencePlan, ordered: Bools, delay: Indices
) -> tuple[Indices, Indices]:
    """Visit and day of each test: at the first visit that orders one, or done elsewhere before the first visit."""
    is_first = ~cases.numbers["repeat_visit"]
    complaint = cases.numbers["complaint"]
    elsewhere = plan.elsewhere.chance.draw(random, cases) & is_first
    brought = np.zeros(int(complaint.max(initial=0)) + 1, dtype=bool)
    brought[complaint[elsewhere]] = True
    sent_before = np.zeros_like(brought)
    sent_before[complaint[ordered & is_first]] = True
    ordered = ordered & (is_first | ~sent_before[complaint]) & ~brought[complaint]
    low, high = plan.elsewhere.days_before
    before = random.integers(low, high + 1, cases.rows)
    days = np.where(elsewhere, cases.numbers["day"] - before, cases.numbers["day"] + delay)
    visit = np.flatnonzero(ordered | elsewhere)
    return visit, days[visit]


def _from_test(first: Test, ordered: Bools, delay: Indices) -> tuple[Indices, Indices]:
    """Visit and day of each test that follows an earlier one; a second reading of that one orders nothing."""
    row = np.unique(first.visit, return_index=True)[1]
    row = row[ordered[first.visit[row]]]
    return first.visit[row], first.day[row] + 1 + delay[first.visit[row]]


def _say(
    context: DrawContext,
    random: np.random.Generator,
    sent: Features,
    plan: ReferencePlan,
    condition: str,
    reading: Reading,
) -> Answer:
    truly = sent.numbers[condition]
    says = np.where(truly, reading.sensitivity.draw(random, sent), ~reading.specificity.draw(random, sent))
    unclear = random.random(sent.rows) < plan.indeterminate
    status = np.where(unclear, INDETERMINATE, np.where(says, PRESENT, ABSENT))
    right = random.random(sent.rows) < plan.severity_right
    return Answer(
        truly=truly,
        mentioned=random.random(sent.rows) < reading.mention,
        status=status,
        severity=_severity(context, random, sent, condition, status, right),
        pattern=_pattern(sent, condition, status),
    )


def _severity(
    context: DrawContext, random: np.random.Generator, sent: Features, condition: str, status: Indices, right: Bools
) -> npt.NDArray[np.object_]:
    """True severity where it is read right, any other way of the scenario where not, blank where there is none."""
    plan = context.scenario.conditions.get(condition)
    if plan is None or plan.severity is None:
        return np.full(sent.rows, None, dtype=object)
    truly = sent.coded[condition]
    any_code = plan.severity.draw(random, sent).text()
    read = np.where(right & (truly.index != BLANK), truly.text(), any_code)
    none = np.full(sent.rows, None, dtype=object)
    sound = plan.severity_absent.draw(random, sent).text() if plan.severity_absent else none
    return np.where(status == PRESENT, read, np.where(status == ABSENT, sound, none))


def _pattern(sent: Features, condition: str, status: Indices) -> npt.NDArray[np.object_]:
    column = sent.coded.get(f"{condition} pattern")
    none = np.full(sent.rows, None, dtype=object)
    return none if column is None else np.where(status == PRESENT, column.text(), none)


def _readers(
    context: DrawContext, random: np.random.Generator, sent: Features, plan: ReferencePlan
) -> npt.NDArray[np.object_]:
    """Who read it: one of the named readers, or an examiner of that site with one of the roles."""
    readers = np.full(sent.rows, None, dtype=object)
    for site in context.scenario.sites.codes:
        team = [
            each.code for each in context.scenario.examiners if each.site == site and each.role in plan.reader_roles
        ]
        names = np.array([*plan.readers, *team, None][: len(plan.readers) + len(team) or 1], dtype=object)
        here = sent.coded["site"].equals(site)
        readers[here] = names[random.integers(0, len(names), here.sum())]
    return readers


def _add_answers(cases: Features, test: Test) -> None:
    """Make what a test said known to what is ordered after it."""
    done = np.zeros(cases.rows, dtype=bool)
    done[test.visit] = True
    answers = {test.modality: done}
    for condition, said in test.said.items():
        present = np.zeros(cases.rows, dtype=bool)
        present[test.visit[said.mentioned & (said.status == PRESENT)]] = True
        answers[f"{test.modality}.{condition}"] = present
    cases.update(answers)

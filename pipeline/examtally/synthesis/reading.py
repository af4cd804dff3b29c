"""Reading the people side of a scenario file: periods, examiners, who comes, how they are seen."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from types import MappingProxyType

from examtally.contracts.yamlfile import Node
from examtally.synthesis.grammar import level, rate, share, span, weights
from examtally.synthesis.scenario import (
    AgeGroup,
    Complaints,
    Examiner,
    ExamSheet,
    Pair,
    People,
    Periods,
    Skill,
    Visits,
)
from examtally.synthesis.vocabulary import Vocabulary, dotted

_MOST_PERIODS = 999
_LONGEST = 3650
_ID = "[A-Z]-[0-9]{2,4}"
_MONTH = "[0-9]{4}-(0[1-9]|1[0-2])"


def read_periods(node: Node) -> Periods:
    """`{kind: ordinal, count: 18, days: 30}` or `{kind: month, count: 18, first: 2031-01}`."""
    entries = node.record(required=("kind", "count"), optional=("days", "first"))
    count = entries["count"].integer(1, _MOST_PERIODS)
    kind = entries["kind"].code("a kind of period", ("ordinal", "month"))
    needed, other = ("days", "first") if kind == "ordinal" else ("first", "days")
    if needed not in entries:
        raise node.fail(f"periods of the kind '{kind}' need '{needed}'", f"add the key '{needed}'")
    if other in entries:
        raise entries[other].fail(f"periods of the kind '{kind}' have no '{other}'", "remove the key")
    if kind == "ordinal":
        days = entries["days"].integer(7, 366)
        return Periods(
            tuple(f"P{number:03d}" for number in range(1, count + 1)), tuple(days * i for i in range(count + 1))
        )
    year, month = (int(part) for part in entries["first"].text(_MONTH).split("-"))
    firsts = [date(year + (month - 1 + i) // 12, (month - 1 + i) % 12 + 1, 1) for i in range(count + 1)]
    return Periods(
        tuple(f"{first:%Y-%m}" for first in firsts[:-1]), tuple((first - firsts[0]).days for first in firsts)
    )


def read_examiners(
    node: Node, known: Vocabulary, periods: Periods, scales: Mapping[str, object]
) -> tuple[Examiner, ...]:
    """The examiners by code. Every site needs one who works everywhere from the first period on."""
    examiners = tuple(
        _examiner(code, entry, known, len(periods.labels), tuple(scales))
        for code, entry in node.table("an examiner's code such as E-01", _ID).items()
    )
    for site in known.sites:
        if not any(each.site == site and each.start is None and not each.settings for each in examiners):
            raise node.fail(
                f"site {site} has nobody who works there in every setting from the beginning",
                "give it an examiner without 'start' and 'settings'",
            )
    return examiners


def _examiner(code: str, node: Node, known: Vocabulary, count: int, scales: tuple[str, ...]) -> Examiner:
    entries = node.record(
        required=("role", "site", "confidence", "lean", "numbers"), optional=("start", "load", "settings", "promoted")
    )
    roles = known.enum("examiners", "role")
    promoted = entries["promoted"].record(required=("period", "role")) if "promoted" in entries else None
    return Examiner(
        code=code,
        role=entries["role"].code("a role", roles),
        site=entries["site"].code("a site of this scenario", known.sites),
        start=entries["start"].integer(1, count) if "start" in entries else None,
        load=entries["load"].number(0) if "load" in entries else 1.0,
        settings=entries["settings"].codes("a setting", known.enum("exams", "setting"))
        if "settings" in entries
        else (),
        confidence=entries["confidence"].number(0, 10),
        lean=entries["lean"].number(-5, 5),
        numbers=entries["numbers"].code("a scale of this scenario", scales),
        promoted=(promoted["period"].integer(1, count), promoted["role"].code("a role", roles)) if promoted else None,
    )


def read_skill(node: Node, known: Vocabulary) -> Skill:
    """What examiners add to sensitivity and specificity."""
    entries = node.record(required=("roles", "spread", "correlation", "shared", "learning"))
    roles = known.enum("examiners", "role")
    learning = entries["learning"].record(required=("roles", "gap", "half_life_periods"))
    return Skill(
        roles=MappingProxyType({role: pair(each) for role, each in entries["roles"].record(optional=roles).items()}),
        spread=pair(entries["spread"], 0, 5),
        correlation=entries["correlation"].number(-1, 1),
        shared=share(entries["shared"]),
        learning_roles=learning["roles"].codes("a role", roles),
        gap=learning["gap"].number(0, 5),
        half_life_periods=learning["half_life_periods"].number(0.1),
    )


def pair(node: Node, low: float = -5, high: float = 5) -> Pair:
    """`{sensitivity: x, specificity: y}`."""
    entries = node.record(required=("sensitivity", "specificity"))
    return Pair(entries["sensitivity"].number(low, high), entries["specificity"].number(low, high))


def read_people(node: Node, known: Vocabulary) -> People:
    """Who comes. Each quantity may depend on those read before it."""
    entries = node.record(required=("ages", "sex", "activity", "bmi", "thigh_cm"))
    ages = [each.record(required=("first", "last", "share")) for each in entries["ages"].items()]
    sexes, activities = known.enum("participants", "sex"), known.enum("participants", "activity")
    by_age = known.age()
    by_sex = (*by_age, *dotted("sex", sexes))
    by_activity = (*by_sex, *dotted("activity", activities))
    return People(
        ages=tuple(AgeGroup(*span_of(each["first"], each["last"])) for each in ages),
        age_shares=tuple(share(each["share"]) for each in ages),
        sex=weights(entries["sex"], sexes, by_age),
        activity=weights(entries["activity"], activities, by_sex),
        bmi=level(entries["bmi"], by_activity),
        thigh_cm=level(entries["thigh_cm"], (*by_activity, "bmi")),
    )


def span_of(first: Node, last: Node) -> tuple[int, int]:
    """First and last age, in order."""
    ends = first.integer(0, 90), last.integer(0, 90)
    if ends[0] > ends[1]:
        raise last.fail("the last age comes before the first", "write the larger age last")
    return ends


def read_complaints(node: Node, known: Vocabulary) -> Complaints:
    """What people come with."""
    entries = node.record(required=("second", "mechanism", "trauma", "acuity", "days"))
    second = entries["second"].record(required=("chance", "after_days", "same_side"))
    mechanisms = tuple(known.contract.catalogue.mechanisms)
    by_person = (*known.person(), "second_complaint")
    by_mechanism = (*by_person, *dotted("mechanism", mechanisms), "trauma")
    return Complaints(
        second=rate(second["chance"], known.person()),
        second_after_days=span(second["after_days"], 1, _LONGEST),
        second_same_side=share(second["same_side"]),
        mechanism=weights(entries["mechanism"], mechanisms, by_person),
        trauma=entries["trauma"].codes("a mechanism", mechanisms),
        acuity=weights(entries["acuity"], known.acuity, by_mechanism),
        days=MappingProxyType(
            {code: span(each, 0, 36500) for code, each in entries["days"].record(required=known.acuity).items()}
        ),
    )


def read_visits(node: Node, known: Vocabulary, truth: tuple[str, ...], visit: tuple[str, ...]) -> Visits:
    """How often people are seen, where, and by how many hands."""
    entries = node.record(
        required=("repeat", "setting", "both_knees", "supervised", "colleague", "other_exam_known"),
    )
    repeat = entries["repeat"].record(required=("chance", "after_days"))
    supervised = entries["supervised"].record(required=("roles", "by", "chance"))
    roles = known.enum("examiners", "role")
    return Visits(
        repeat=rate(repeat["chance"], truth),
        repeat_after_days=span(repeat["after_days"], 1, _LONGEST),
        setting=weights(entries["setting"], known.enum("exams", "setting"), (*truth, "repeat_visit")),
        both_knees=rate(entries["both_knees"], visit),
        supervised_roles=supervised["roles"].codes("a role", roles),
        supervisor_roles=supervised["by"].codes("a role", roles),
        supervised=rate(supervised["chance"], visit),
        colleague=rate(entries["colleague"], visit),
        other_exam_known=weights(entries["other_exam_known"], known.enum("exams", "other_exam_known"), visit),
    )


def read_sheet(node: Node, known: Vocabulary, severities: dict[str, tuple[str, ...]]) -> ExamSheet:
    """What is noted of the exam as a whole."""
    names = {
        "prior_surgery": known.truth(severities),
        "effusion": known.hands(severities),
        "reference_known": known.exam(severities),
        "reference_known_after": known.exam(severities),
        "other_knee": known.exam(severities),
    }
    entries = node.record(required=("guarding", "pain_now", *names))
    coded = {
        column: weights(entries[column], known.enum("exams", column.removesuffix("_after")), names[column])
        for column in names
    }
    return ExamSheet(
        guarding=rate(entries["guarding"], known.visit(severities)),
        pain_now=level(entries["pain_now"], known.exam(severities)),
        **coded,
    )

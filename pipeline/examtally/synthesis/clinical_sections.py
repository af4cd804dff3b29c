"""The clinical side of a scenario: conditions, maneuvers, history, stated probabilities, reference tests."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Annotated, TypeAlias

from examtally.contracts.checks import Fault, nearest
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Section
from examtally.contracts.kinds import (
    Checked,
    Condition,
    Distinct,
    Flag,
    Key,
    Line,
    Maybe,
    Name,
    Number,
    Text,
    Whole,
    nothing,
)
from examtally.synthesis.chance import AnyRate, Factor, Feature, Known, Level, OneOf, Proportion, Rate, Weights
from examtally.synthesis.people_sections import Days, Deviation, FreeWeights, Role

HABITS = ("not_recorded", "not_done", "equivocal", "reasons", "sign_recorded", "pain_recorded", "pain")
_CERTAIN = 1e-4
Examiners: TypeAlias = Annotated[str, Text("[A-Z]-[0-9]{2,4}")]
Figure: TypeAlias = Annotated[float, Number(_CERTAIN, 1 - _CERTAIN)]
Reasons: TypeAlias = Annotated[Weights, OneOf(Key("a reason", "findings.reason")), Known("exam")]
ExamRate: TypeAlias = Annotated[AnyRate, Known("exam")]
PainRate: TypeAlias = Annotated[AnyRate, Known("positive")]


@dataclass(frozen=True, kw_only=True)
class ConditionPlan(Section):
    """How often a condition is truly there, how severe, and how long it lasts."""

    present: Annotated[AnyRate, Known("truth")]
    """How often it is there; may depend on the conditions above it."""
    severity: Annotated[Maybe[FreeWeights], Known("truth")] = None
    """Weights of its severities."""
    severity_absent: Annotated[Maybe[FreeWeights], Known("truth")] = None
    """The same, for what a reference says where it is absent."""
    pattern: Annotated[Maybe[FreeWeights], Known("truth")] = None
    """Weights of its patterns."""
    half_life_days: Maybe[Annotated[float, Number(0.1)]] = None
    """Days in which half of them have healed; it stays where left out."""


def known_codes(conditions: Mapping[str, ConditionPlan], contract: Contract) -> Iterator[Fault]:
    """A derived condition has no plan of its own; severities and patterns are those of the catalogue."""
    declared = {code: item for code, item in contract.catalogue.conditions.items() if not item.derived_from}
    for code, plan in conditions.items():
        if code not in declared:
            yield Fault(f"unknown key '{code}'", nearest(code, declared), code)
            continue
        severities = [each.code for each in declared[code].severity]
        patterns = [each.code for each in declared[code].pattern]
        yield from _unknown(plan.severity, severities, code, "severity")
        yield from _unknown(plan.severity_absent, severities, code, "severity_absent")
        yield from _unknown(plan.pattern, patterns, code, "pattern")


def _unknown(weights: Weights | None, legal: list[str], *at: str) -> Iterator[Fault]:
    for code in weights.of if weights else ():
        if code not in legal:
            yield Fault(f"unknown key '{code}'", nearest(code, legal), *at, code)


@dataclass(frozen=True)
class Family(Section):
    """Standard deviations, on the logit scale, of what findings of one kind share."""

    person: Deviation
    """Both sides and every exam of a person."""
    joint: Deviation
    """Every exam of one side, for maneuvers of one driver."""
    hands: Deviation
    """The maneuvers of one driver in one exam, and the exam of a colleague who knew it."""


@dataclass(frozen=True)
class ByResult(Section):
    """What is written of positive and of negative findings (a grade, an end point), and how often.

    Weights may depend on `driver`: 1 where what the maneuver looks for is truly there.
    """

    recorded: Proportion
    """How often it is written."""
    positive: Annotated[FreeWeights, Known("driver")]
    """Of positive findings."""
    negative: Annotated[FreeWeights, Known("driver")]
    """Of negative findings."""


@dataclass(frozen=True)
class Measuring(Section):
    """Measured values of positive and negative findings (by `driver` and `grade`), how often, with what, decimals."""

    recorded: Proportion
    """How often it is measured."""
    decimals: Annotated[int, Whole(0, 3)]
    """Decimals that are written."""
    positive: Annotated[Level, Known("grade")]
    """Values of positive findings."""
    negative: Annotated[Level, Known("grade")]
    """Values of negative findings."""
    by: Annotated[Weights, OneOf(Key("a way to measure", "findings.measured_by")), Known("exam")]
    """What it is measured with."""


@dataclass(frozen=True, kw_only=True)
class Habits(Section):
    """How a maneuver goes onto the sheet where it says nothing else: left out, not done, unclear, and why."""

    not_recorded: ExamRate
    """How often nothing is written."""
    not_done: ExamRate
    """How often it is not done."""
    equivocal: ExamRate
    """How often it is unclear."""
    reasons: Reasons
    """Why it is not done or unclear."""
    sign_recorded: Proportion
    """How often the sign is written."""
    pain_recorded: Proportion
    """How often it is written whether it hurt."""
    pain: PainRate
    """How often it hurts; `positive` is 1 for a positive finding."""


@dataclass(frozen=True, kw_only=True)
class ManeuverEntry(Section):
    """How a maneuver behaves: against its driver, or by a bare rate; habits that are not given are the usual ones."""

    driver: Maybe[Line] = None
    """The condition of this scenario that it looks for."""
    sensitivity: Maybe[Figure] = None
    """Share positive where the driver is there."""
    specificity: Maybe[Figure] = None
    """Share negative where it is not."""
    rate: Annotated[Maybe[AnyRate], Known("exam")] = None
    """Share positive, for a maneuver without a driver."""
    family: Line
    """A family of this scenario."""
    shift: Annotated[Mapping[Feature, Annotated[float, Number()]], Known("exam")] = field(default_factory=nothing)
    """By feature, what is added to the logit of a positive finding."""
    signs: Annotated[Maybe[FreeWeights], Known("exam")] = None
    """Weights of its signs; even where left out."""
    grades: Maybe[ByResult] = None
    """Its grades."""
    measure: Maybe[Measuring] = None
    """Its measured value."""
    end_point: Annotated[bool, Flag()] = False
    """Whether an end point is felt."""
    columns: Annotated[Mapping[Annotated[str, Key("a column of numbers", "own_findings")], Level], Known("exam")] = (
        field(default_factory=nothing)
    )
    """What is written of the joint alone with a finding, by column of findings."""
    not_recorded: Maybe[ExamRate] = None
    """How often nothing is written."""
    not_done: Maybe[ExamRate] = None
    """How often it is not done."""
    equivocal: Maybe[ExamRate] = None
    """How often it is unclear."""
    reasons: Maybe[Reasons] = None
    """Why it is not done or unclear."""
    sign_recorded: Maybe[Proportion] = None
    """How often the sign is written."""
    pain_recorded: Maybe[Proportion] = None
    """How often it is written whether it hurt."""
    pain: Maybe[PainRate] = None
    """How often it hurts."""

    def faults(self, _contract: Contract) -> Iterator[Fault]:
        if (self.driver is None) == (self.rate is None):
            yield Fault("needs either a driver or a rate", "keep 'driver' with its accuracy, or 'rate'")
        for name in ("sensitivity", "specificity"):
            if self.driver is not None and getattr(self, name) is None:
                yield Fault(f"'{name}' is missing", f"add the key '{name}'")


def as_the_catalogue(maneuvers: Mapping[str, ManeuverEntry], contract: Contract) -> Iterator[Fault]:
    """Signs and grades are those of the catalogue; a measure needs its unit."""
    for code, entry in maneuvers.items():
        declared = contract.catalogue.maneuvers[code]
        yield from _unknown(entry.signs, list(declared.signs), code, "signs")
        if entry.grades:
            legal = [str(grade) for grade in declared.grades]
            yield from _unknown(entry.grades.positive, legal, code, "grades", "positive")
            yield from _unknown(entry.grades.negative, legal, code, "grades", "negative")
        if entry.measure and declared.unit is None:
            yield Fault("the catalogue gives this maneuver no unit", "remove the measure", code, "measure")


@dataclass(frozen=True)
class Order(Section):
    """The order in which maneuvers are done."""

    recorded: Proportion
    """How often it is written."""
    shuffle: Annotated[float, Number(0)]
    """Standard deviation of the place, in maneuvers."""


def _end_point_codes(end_points: ByResult | None, contract: Contract) -> Iterator[Fault]:
    if end_points is None:
        return
    legal = list(contract.tables["findings"].field("end_point").enum or ())
    yield from _unknown(end_points.positive, legal, "positive")
    yield from _unknown(end_points.negative, legal, "negative")


@dataclass(frozen=True, kw_only=True)
class Sheet(Section):
    """What concerns the findings of one exam together."""

    end_points: Annotated[Maybe[ByResult], Checked(_end_point_codes)] = None
    """End points of the maneuvers that have one."""
    columns: Mapping[Annotated[str, Key("a column of numbers", "own_findings")], Proportion] = field(
        default_factory=nothing
    )
    """How often a column of the joint is written, by column of findings; always where it is left out."""
    order: Order
    """The order in which maneuvers are done."""


@dataclass(frozen=True)
class Answers(Section):
    """What people answer to the questions before the exam."""

    asked: Proportion
    """How often they are asked."""
    unsure: Proportion
    """How often the answer is unknown."""
    items: Annotated[Mapping[Annotated[str, Key("a question", "history")], AnyRate], Known("exam")]
    """How often each is answered with yes."""


@dataclass(frozen=True)
class Stage(Section):
    """One moment at which probabilities are stated."""

    stated: Proportion
    """How often one is stated."""
    confidence: Annotated[float, Number(0, 10)]
    """Factor on the log odds believed."""
    noise: Deviation
    """Standard deviation of what is added to them."""
    findings: Annotated[bool, Flag()]
    """Whether the findings of every maneuver that speaks of the condition are known."""
    terms: Distinct[Line]
    """What else the examiner can know by then: features."""


def _rising(scales: Mapping[str, tuple[float, ...]], _contract: Contract) -> Iterator[Fault]:
    for name, scale in scales.items():
        if len(scale) < 2 or any(a >= b for a, b in pairwise(scale)):
            mend = "write two or more, each larger than the one before"
            yield Fault("is not a rising list of numbers", mend, name)


@dataclass(frozen=True)
class Forecasts(Section):
    """Stated probabilities: how often for each condition, at which stages, in which numbers."""

    conditions: Mapping[Condition, Proportion]
    """How often for each condition."""
    comparison: Proportion
    """How often for a side without a complaint."""
    stages: Mapping[Annotated[str, Key("a stage", "impressions.stage")], Stage]
    """The stages."""
    numbers: Annotated[Mapping[Annotated[str, Name("a scale")], tuple[Proportion, ...]], Checked(_rising)]
    """The scales in whose numbers people say a probability."""


@dataclass(frozen=True, kw_only=True)
class Reading(Section):
    """How one modality reads one condition: how often it speaks of it and says what is true."""

    mention: Proportion = 1.0
    """How often it speaks of it."""
    sensitivity: Annotated[AnyRate, Known("reference")]
    """Share present where it is there."""
    specificity: Annotated[AnyRate, Known("reference")]
    """Share absent where it is not."""


@dataclass(frozen=True, kw_only=True)
class Delay(Section):
    """How long a reference test takes."""

    median: Annotated[float, Number(0)]
    """Median days."""
    spread: Deviation
    """Standard deviation of their logarithm."""
    times: Annotated[Mapping[Feature, Factor], Known("reference")] = field(default_factory=nothing)
    """By feature, a factor on the days."""


@dataclass(frozen=True)
class Elsewhere(Section):
    """A test that people bring along."""

    chance: Annotated[AnyRate, Known("reference")]
    """Share of complaints that come with it already done."""
    days_before: Days
    """First and last day before the visit."""


@dataclass(frozen=True, kw_only=True)
class ReferencePlan(Section):
    """One reference test: when it is ordered, how long it takes, who reads it and what it says."""

    ordered: Annotated[AnyRate, Known("reference")]
    """How often it is ordered."""
    after: Maybe[Line] = None
    """An earlier test that it follows, its days counting from there; ordered at a visit where left out."""
    operation: Annotated[bool, Flag()] = False
    """Whether it is an operation."""
    days: Delay
    """How long it takes."""
    elsewhere: Elsewhere = field(default_factory=lambda: Elsewhere(Rate(0.0), (1, 1)))
    """A test that people bring along."""
    readers: Distinct[Examiners] = ()
    """Codes of its readers."""
    reader_roles: Distinct[Role] = ()
    """Roles that read it, beside them."""
    exam_known: Annotated[Weights, OneOf(Key("an answer", "references.exam_known")), Known("reference")]
    """Whether its reader knew the exam."""
    indeterminate: Proportion = 0.0
    """Share of readings that settle nothing."""
    read_twice: Proportion = 0.0
    """Share that is read by a second reader too."""
    severity_right: Proportion = 1.0
    """Share of present conditions whose severity is said rightly."""
    covers: Mapping[Condition, Reading]
    """The conditions it speaks of."""

"""The people of a scenario: who examines, who comes with what, how they are seen and what is noted of the exam."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Annotated, TypeAlias

from examtally.contracts.checks import Fault, nearest
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Section
from examtally.contracts.kinds import (
    LONGEST_DAY,
    Checked,
    Code,
    Distinct,
    Key,
    Line,
    Maybe,
    Name,
    Number,
    Text,
    Two,
    Whole,
    nothing,
)
from examtally.contracts.protocol.analysis_set import Groups
from examtally.synthesis.chance import AnyRate, Known, Level, OneOf, Proportion, Weights

_ACUITY = dict.fromkeys(Groups().bands("acuity").codes, "")
_NOT_SPAN = ("is not a first and a last number", "write [first, last], the smaller one first")
FreeWeights: TypeAlias = Annotated[Weights, OneOf(Name("a code", ".+"))]
Role: TypeAlias = Annotated[str, Code("a role", "examiners.role")]
Deviation: TypeAlias = Annotated[float, Number(0, 5)]
Days: TypeAlias = Annotated[tuple[int, int], Two(Whole(1, 3650), *_NOT_SPAN, is_rising=True)]


@dataclass(frozen=True)
class Promotion(Section):
    """Another role from a period on."""

    period: Annotated[int, Whole(1)]
    """Number of the first period in the new role."""
    role: Role
    """The new role."""


@dataclass(frozen=True, kw_only=True)
class ExaminerEntry(Section):
    """One examiner; the code is the key."""

    role: Role
    """The role."""
    site: Line
    """A site of this scenario."""
    start: Maybe[Annotated[int, Whole(1)]] = None
    """Number of the first period in which the examiner works; before the first where left out."""
    load: Annotated[float, Number(0)] = 1.0
    """Share of the work."""
    settings: Distinct[Annotated[str, Code("a setting", "exams.setting")]] = ()
    """The only settings worked in; all where left out."""
    confidence: Annotated[float, Number(0, 10)]
    """Stated log odds are lean + confidence times the log odds believed."""
    lean: Annotated[float, Number(-5, 5)]
    """What is added to the stated log odds."""
    numbers: Line
    """The scale of this scenario in whose numbers probabilities are said."""
    promoted: Maybe[Promotion] = None
    """From when on in which other role."""


@dataclass(frozen=True)
class Pair(Section):
    """One figure for sensitivity and one for specificity, on the logit scale."""

    sensitivity: Annotated[float, Number(-5, 5)]
    """For sensitivity."""
    specificity: Annotated[float, Number(-5, 5)]
    """For specificity."""


@dataclass(frozen=True)
class Spread(Section):
    """A standard deviation between examiners for sensitivity and one for specificity, on the logit scale."""

    sensitivity: Deviation
    """Of logit sensitivity."""
    specificity: Deviation
    """Of logit specificity."""


@dataclass(frozen=True)
class Learning(Section):
    """Who begins below and gets better."""

    roles: Distinct[Role]
    """Roles that begin `gap` below."""
    gap: Deviation
    """How far below, on the logit scale."""
    half_life_periods: Annotated[float, Number(0.1)]
    """Periods in which half of the rest of the gap closes."""


@dataclass(frozen=True)
class Skill(Section):
    """What examiners add to logit sensitivity and logit specificity: a fixed effect of the role, and of the person."""

    roles: Mapping[Annotated[str, Key("a role", "examiners.role")], Pair]
    """What a role adds."""
    spread: Spread
    """Standard deviation of the persons."""
    correlation: Annotated[float, Number(-1, 1)]
    """Correlation of a person's two deviations."""
    shared: Proportion
    """Share of the variance that is common to all maneuvers."""
    learning: Learning
    """Who gets better, and how fast."""


@dataclass(frozen=True, kw_only=True)
class Effect(Section):
    """What an intervention adds to the skill in one maneuver, on the logit scale, from a period on."""

    period: Annotated[int, Whole(2, 999)]
    """Number of the first period after it."""
    sites: Distinct[Annotated[str, Text("[A-Z]-[0-9]{2,4}")]] = ()
    """Whose examiners it reached; everybody's where left out."""
    maneuver: Annotated[str, Code("a maneuver", "maneuvers")]
    """The maneuver that it changed."""
    sensitivity: Annotated[float, Number(-5, 5)] = 0.0
    """Added to logit sensitivity."""
    specificity: Annotated[float, Number(-5, 5)] = 0.0
    """Added to logit specificity."""


@dataclass(frozen=True)
class AgeGroup(Section):
    """Ages drawn evenly from `first` to `last`, both inclusive."""

    first: Annotated[int, Whole(0, 90)]
    """The youngest age."""
    last: Annotated[int, Whole(0, 90)]
    """The oldest age."""
    share: Proportion
    """Share of the people."""

    def faults(self, _contract: Contract) -> Iterator[Fault]:
        if self.first > self.last:
            yield Fault("the last age comes before the first", "write the larger age last", "last")


@dataclass(frozen=True)
class People(Section):
    """Who comes. Each quantity may depend on those before it."""

    ages: tuple[AgeGroup, ...]
    """Age groups with their shares."""
    sex: Annotated[Weights, OneOf(Key("a sex", "participants.sex")), Known("age")]
    """Weights of the sexes."""
    activity: Annotated[Weights, OneOf(Key("an activity", "participants.activity")), Known("sex")]
    """Weights of the activities."""
    bmi: Annotated[Level, Known("activity")]
    """Body mass index in kg/m2."""
    columns: Annotated[Mapping[Annotated[str, Key("a column of numbers", "own_numbers")], Level], Known("bmi")] = field(
        default_factory=nothing
    )
    """What is measured of the joint alone and stays with the patient, by column of exams."""

    @property
    def age_shares(self) -> tuple[float, ...]:
        """The share of each age group."""
        return tuple(each.share for each in self.ages)


@dataclass(frozen=True)
class Again(Section):
    """A second complaint of the same person."""

    chance: Annotated[AnyRate, Known("person")]
    """How often there is one."""
    after_days: Days
    """First and last day after the first complaint."""
    same_side: Proportion
    """How often it is the same «noun»."""


def _every_acuity(days: Mapping[str, tuple[int, int]], _contract: Contract) -> Iterator[Fault]:
    for code in _ACUITY:
        if code not in days:
            yield Fault(f"'{code}' is missing", f"add the key '{code}'")


@dataclass(frozen=True)
class Complaints(Section):
    """What people come with."""

    second: Again
    """A second complaint of the same person."""
    mechanism: Annotated[Weights, OneOf(Key("a mechanism", "mechanisms")), Known("second_complaint")]
    """Weights of the mechanisms."""
    trauma: Distinct[Annotated[str, Code("a mechanism", "mechanisms")]]
    """Mechanisms that are a trauma."""
    acuity: Annotated[Weights, OneOf(Key("an acuity", _ACUITY)), Known("mechanism")]
    """Weights of acute, subacute and chronic."""
    days: Annotated[
        Mapping[
            Annotated[str, Key("an acuity", _ACUITY)],
            Annotated[tuple[int, int], Two(Whole(0, LONGEST_DAY), *_NOT_SPAN, is_rising=True)],
        ],
        Checked(_every_acuity),
    ]
    """First and last day since onset for each acuity."""


@dataclass(frozen=True)
class Repeat(Section):
    """A second visit for the same complaint."""

    chance: Annotated[AnyRate, Known("truth")]
    """How often there is one."""
    after_days: Days
    """First and last day after the first visit."""


@dataclass(frozen=True)
class Supervised(Section):
    """A second exam by a supervisor."""

    roles: Distinct[Role]
    """Roles that are supervised."""
    by: Distinct[Role]
    """Roles that supervise."""
    chance: Annotated[AnyRate, Known("visit")]
    """How often."""


@dataclass(frozen=True)
class Visits(Section):
    """How often people are seen, where, and by how many hands."""

    repeat: Repeat
    """A second visit for the same complaint."""
    setting: Annotated[Weights, OneOf(Key("a setting", "exams.setting")), Known("repeat_visit")]
    """Weights of the settings."""
    both_sides: Annotated[AnyRate, Known("visit")]
    """How often the other side is examined too."""
    supervised: Supervised
    """A second exam by a supervisor."""
    colleague: Annotated[AnyRate, Known("visit")]
    """How often a colleague examines too, where nobody supervises."""
    other_exam_known: Annotated[Weights, OneOf(Key("an answer", "exams.other_exam_known")), Known("visit")]
    """Whether the second examiner knew the first exam."""


def _own_codes(columns: Mapping[str, Weights], contract: Contract) -> Iterator[Fault]:
    for column, weights in columns.items():
        legal = contract.tables["exams"].field(column).enum or ()
        for code in weights.of:
            if code not in legal:
                yield Fault(f"unknown key '{code}'", nearest(code, legal), column, code)


@dataclass(frozen=True, kw_only=True)
class ExamSheet(Section):
    """What is noted of the exam as a whole."""

    guarding: Annotated[AnyRate, Known("visit")]
    """How often the patient guards."""
    columns: Annotated[
        Mapping[Annotated[str, Key("a column of codes", "own_codes")], FreeWeights], Checked(_own_codes), Known("hands")
    ] = field(default_factory=nothing)
    """What the examiner notes of the joint alone, by column of exams."""
    pain_now: Annotated[Level, Known("exam")]
    """Pain at the exam, 0 to 10."""
    prior_surgery: Annotated[Weights, OneOf(Key("an answer", "exams.prior_surgery")), Known("truth")]
    """Whether the side was operated on before."""
    reference_known: Annotated[Weights, OneOf(Key("an answer", "exams.reference_known")), Known("exam")]
    """Whether the examiner knew a result, where there was none yet."""
    reference_known_after: Annotated[Weights, OneOf(Key("an answer", "exams.reference_known")), Known("exam")]
    """The same, where there was one."""
    other_side: Annotated[Weights, OneOf(Key("an answer", "other_side")), Known("exam")]
    """How the other side is."""

"""A scenario: a clinic, its people, its truth and its flaws, as frozen objects and as it is written."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Annotated, TypeAlias

from examtally.contracts.checks import Fault, nearest
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Section
from examtally.contracts.kinds import HIGHEST_SEED, Checked, Code, Key, Line, Maybe, Name, Text, Whole
from examtally.synthesis.chance import Level, OneOf, Proportion, Rate, Weights
from examtally.synthesis.clinical_sections import (
    Answers,
    ByResult,
    ConditionPlan,
    Family,
    Forecasts,
    Habits,
    ManeuverEntry,
    Measuring,
    ReferencePlan,
    Sheet,
    as_the_catalogue,
    known_codes,
)
from examtally.synthesis.people_sections import (
    Complaints,
    Effect,
    ExaminerEntry,
    ExamSheet,
    People,
    Skill,
    Visits,
)

TITLE = "Scenario"
ExaminerCode: TypeAlias = Annotated[str, Name("an examiner's code such as E-01", "[A-Z]-[0-9]{2,4}")]
SiteCode = Name("a site's code such as S-01", "[A-Z]-[0-9]{2,4}")


@dataclass(frozen=True)
class Periods:
    """Reporting periods: `labels[i]` runs from `edges[i]` to before `edges[i + 1]`, days of the clinic's calendar."""

    labels: tuple[str, ...]
    edges: tuple[int, ...]


@dataclass(frozen=True)
class Examiner:
    """One examiner. `start` is the number of the first period in which the examiner works, None if before the first.

    `load` is the share of the work, `settings` the only ones worked in (empty: all). Stated log odds are
    `lean + confidence * log odds believed`, said in the numbers of one of the scenario's scales.
    """

    code: str
    role: str
    site: str
    start: int | None
    load: float
    settings: tuple[str, ...]
    confidence: float
    lean: float
    numbers: str
    promoted: tuple[int, str] | None


@dataclass(frozen=True)
class Accuracy:
    """Sensitivity and specificity of a maneuver against its driver."""

    sensitivity: float
    specificity: float


@dataclass(frozen=True)
class ManeuverPlan:
    """How a maneuver behaves: against its `driver` condition, or by a bare `rate` where it has none."""

    driver: str | None
    accuracy: Accuracy | None
    rate: Rate | None
    family: str
    shift: Mapping[str, float]
    habits: Habits
    signs: Weights | None
    grades: ByResult | None
    measure: Measuring | None
    end_point: bool
    columns: Mapping[str, Level]


@dataclass(frozen=True, kw_only=True)
class PeriodsEntry(Section):
    """Reporting periods: {kind: ordinal, count: 18, days: 30} or {kind: month, count: 18, first: 2031-01}."""

    kind: Annotated[str, Code("a kind of period", {"ordinal": "P001, P002, …", "month": "calendar months"})]
    """Ordinal numbers or calendar months."""
    count: Annotated[int, Whole(1, 999)]
    """How many."""
    days: Maybe[Annotated[int, Whole(7, 366)]] = None
    """Days of an ordinal period."""
    first: Maybe[Annotated[str, Text("[0-9]{4}-(0[1-9]|1[0-2])")]] = None
    """The first month."""

    def faults(self, _contract: Contract) -> Iterator[Fault]:
        needed, other = ("days", "first") if self.kind == "ordinal" else ("first", "days")
        if getattr(self, needed) is None:
            yield Fault(f"periods of the kind '{self.kind}' need '{needed}'", f"add the key '{needed}'")
        if getattr(self, other) is not None:
            yield Fault(f"periods of the kind '{self.kind}' have no '{other}'", "remove the key", other)

    def periods(self) -> Periods:
        """Labels and edges."""
        if self.days is not None:
            labels = tuple(f"P{number:03d}" for number in range(1, self.count + 1))
            return Periods(labels, tuple(self.days * index for index in range(self.count + 1)))
        year, month = (int(part) for part in (self.first or "").split("-"))
        months = [month - 1 + index for index in range(self.count + 1)]
        firsts = [date(year + number // 12, number % 12 + 1, 1) for number in months]
        return Periods(
            tuple(f"{first:%Y-%m}" for first in firsts[:-1]), tuple((first - firsts[0]).days for first in firsts)
        )


def _optional(blanks: Mapping[str, Mapping[str, float]], contract: Contract) -> Iterator[Fault]:
    """Only a column that may be blank can be left so."""
    for table, columns in blanks.items():
        legal = [field.name for field in contract.tables[table].fields if not field.required]
        for column in columns:
            if column not in legal:
                yield Fault(f"unknown key '{column}'", nearest(column, legal), table, column)


@dataclass(frozen=True, kw_only=True)
class ScenarioFile(Section):
    """A synthetic clinic as it is written. A scenario that is based on another names only the keys it changes."""

    based_on: Maybe[Annotated[str, Text("[a-z][a-z0-9_]*")]] = None
    """Name of the scenario that this one changes: one beside it, or one that comes with the package."""
    title: Line
    """What the clinic is, in a few words."""
    joint: Annotated[str, Code("a joint", "joints")]
    """The joint whose catalogue applies."""
    catalogue: Annotated[str, Text()] = ""
    """A group's own catalogue, a file from where the scenario lies, in place of the joint's."""
    seed: Annotated[int, Whole(0, HIGHEST_SEED)]
    """Seed of everything that happens by chance."""
    exams: Annotated[int, Whole(1)]
    """Exams to make."""
    reference_people: Annotated[int, Whole(1)]
    """People of the large clinic in which the truth is counted."""
    periods: PeriodsEntry
    """Reporting periods."""
    blanks: Annotated[
        Mapping[Annotated[str, Key("a table", "tables")], Mapping[Annotated[str, Name("a column")], Proportion]],
        Checked(_optional),
    ]
    """By table and column, how often an optional column is left blank."""
    sites: Annotated[Weights, OneOf(SiteCode)]
    """Sites with their weights."""
    examiners: Mapping[ExaminerCode, ExaminerEntry]
    """The examiners. Every site needs one who works everywhere from the first period on."""
    skill: Skill
    """What examiners add to sensitivity and specificity."""
    interventions: tuple[Effect, ...] = ()
    """What changed the skill from a period on."""
    people: People
    """Who comes."""
    complaints: Complaints
    """What they come with."""
    visits: Visits
    """How often they are seen, where, and by how many hands."""
    sheet: ExamSheet
    """What is noted of the exam as a whole."""
    conditions: Annotated[
        Mapping[Annotated[str, Key("a condition", "conditions")], ConditionPlan], Checked(known_codes)
    ]
    """The conditions in the order in which they come about: each may depend on those above it."""
    families: Mapping[Annotated[str, Name("a family of findings")], Family]
    """What findings of one kind share."""
    habits: Habits
    """How maneuvers go onto the sheet."""
    maneuvers: Annotated[
        Mapping[Annotated[str, Key("a maneuver", "maneuvers")], ManeuverEntry], Checked(as_the_catalogue)
    ]
    """The maneuvers the clinic does; one without an entry is never done."""
    writing: Sheet
    """What concerns the findings of one exam together."""
    history: Answers
    """What people answer before the exam."""
    forecasts: Forecasts
    """Stated probabilities."""
    decisions: Annotated[
        str,
        Code(
            "whose findings decide",
            {"last_hands": "those of the last examiner", "first_hands": "those of the first examiner"},
        ),
    ]
    """Whose findings decide about reference tests."""
    references: Mapping[Annotated[str, Key("a modality", "references.modality")], ReferencePlan]
    """The reference tests in the order in which they are thought of: each may depend on those above it."""


@dataclass(frozen=True)
class Scenario:
    """Everything that makes a synthetic clinic."""

    title: str
    joint: str
    contract: Contract = field(compare=False, repr=False)
    seed: int
    exams: int
    reference_people: int
    periods: Periods
    sites: Weights
    examiners: tuple[Examiner, ...]
    skill: Skill
    interventions: tuple[Effect, ...]
    people: People
    complaints: Complaints
    visits: Visits
    sheet: ExamSheet
    conditions: Mapping[str, ConditionPlan]
    families: Mapping[str, Family]
    maneuvers: Mapping[str, ManeuverPlan]
    writing: Sheet
    history: Answers
    forecasts: Forecasts
    decided_by_last_hands: bool
    references: Mapping[str, ReferencePlan]
    blanks: Mapping[str, Mapping[str, float]]

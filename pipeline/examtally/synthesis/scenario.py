"""A scenario: a clinic, its people, its truth and its flaws, as frozen objects. `load_scenario` reads one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from examtally.synthesis.chance import Level, Rate, Weights


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
class Pair:
    """One figure for sensitivity and one for specificity."""

    sensitivity: float
    specificity: float


@dataclass(frozen=True)
class Skill:
    """What examiners add to logit sensitivity and logit specificity.

    A fixed effect of the role, and a normal deviation of the person: SD `spread`, correlated by `correlation` between
    the two, a share `shared` of its variance common to all maneuvers. Roles in `learning_roles` begin `gap` below and
    halve the rest of that gap every `half_life_periods`.
    """

    roles: Mapping[str, Pair]
    spread: Pair
    correlation: float
    shared: float
    learning_roles: tuple[str, ...]
    gap: float
    half_life_periods: float


@dataclass(frozen=True)
class AgeGroup:
    """Ages drawn evenly from `first` to `last`, both inclusive."""

    first: int
    last: int


@dataclass(frozen=True)
class People:
    """Who comes: ages by group, then sex, activity, body mass index and thigh girth."""

    ages: tuple[AgeGroup, ...]
    age_shares: tuple[float, ...]
    sex: Weights
    activity: Weights
    bmi: Level
    thigh_cm: Level


@dataclass(frozen=True)
class Complaints:
    """What they come with. `days` gives first and last day since onset for each acuity."""

    second: Rate
    second_after_days: tuple[int, int]
    second_same_side: float
    mechanism: Weights
    trauma: tuple[str, ...]
    acuity: Weights
    days: Mapping[str, tuple[int, int]]


@dataclass(frozen=True)
class Visits:
    """How often they are seen, where, and by how many hands."""

    repeat: Rate
    repeat_after_days: tuple[int, int]
    setting: Weights
    both_knees: Rate
    supervised_roles: tuple[str, ...]
    supervisor_roles: tuple[str, ...]
    supervised: Rate
    colleague: Rate
    other_exam_known: Weights


@dataclass(frozen=True)
class ExamSheet:
    """What is noted of the exam as a whole."""

    guarding: Rate
    effusion: Weights
    pain_now: Level
    prior_surgery: Weights
    reference_known: Weights
    reference_known_after: Weights
    other_knee: Weights


@dataclass(frozen=True)
class ConditionPlan:
    """How often a condition is truly there, how severe, and how long it lasts (None: it stays)."""

    present: Rate
    severity: Weights | None
    severity_absent: Weights | None
    pattern: Weights | None
    half_life_days: float | None

    @property
    def severity_codes(self) -> tuple[str, ...]:
        """The severities it can have; none where it has no kinds."""
        return self.severity.codes if self.severity else ()


@dataclass(frozen=True)
class Family:
    """Standard deviations, on the logit scale, of what findings of one kind share.

    `person`: both knees and every exam of a person. `knee`: every exam of one knee for maneuvers of one driver.
    `hands`: the maneuvers of one driver in one exam, and the exam of a colleague who knew it.
    """

    person: float
    knee: float
    hands: float


@dataclass(frozen=True)
class ByResult:
    """What is written of positive and of negative findings (a grade, an end point), and how often.

    Weights may depend on `driver`: 1 where what the maneuver looks for is truly there."""

    recorded: float
    positive: Weights
    negative: Weights


@dataclass(frozen=True)
class Measuring:
    """Measured values of positive and negative findings (by `driver` and `grade`), how often, with what, decimals."""

    recorded: float
    decimals: int
    positive: Level
    negative: Level
    by: Weights


@dataclass(frozen=True)
class Habits:
    """How a maneuver goes onto the sheet: left out, not done, unclear, and why."""

    not_recorded: Rate
    not_done: Rate
    equivocal: Rate
    reasons: Weights
    sign_recorded: float
    pain_recorded: float
    pain: Rate


@dataclass(frozen=True)
class ManeuverPlan:
    """How a maneuver behaves: against its `driver` condition, or by a bare `rate` where it has none."""

    driver: str | None
    accuracy: Pair | None
    rate: Rate | None
    family: str
    shift: Mapping[str, float]
    habits: Habits
    signs: Weights | None
    grades: ByResult | None
    measure: Measuring | None
    end_point: bool
    flexion_deg: Level | None


@dataclass(frozen=True)
class Sheet:
    """What concerns the findings of one exam together."""

    end_points: ByResult
    flexion_recorded: float
    order_recorded: float
    order_shuffle: float


@dataclass(frozen=True)
class Stage:
    """One moment at which probabilities are stated. `terms`, and with `findings` those of every maneuver that speaks of
    the condition, are what the examiner can know by then."""

    stated: float
    confidence: float
    noise: float
    findings: bool
    terms: tuple[str, ...]


@dataclass(frozen=True)
class Forecasts:
    """Stated probabilities: how often for each condition, at which stages, in which numbers."""

    conditions: Mapping[str, float]
    comparison: float
    stages: Mapping[str, Stage]
    numbers: Mapping[str, tuple[float, ...]]


@dataclass(frozen=True)
class Reading:
    """How one modality reads one condition: how often it speaks of it and says what is true."""

    mention: float
    sensitivity: Rate
    specificity: Rate


@dataclass(frozen=True)
class ReferencePlan:
    """One reference test: when it is ordered, how long it takes, who reads it and what it says.

    With `after`, it follows that earlier modality and its days count from there; otherwise it is ordered at a visit.
    `elsewhere` is the share of complaints that come with it already done, `elsewhere_days` how long before.
    """

    ordered: Rate
    after: str | None
    operation: bool
    median_days: float
    spread: float
    times: Mapping[str, float]
    elsewhere: Rate
    elsewhere_days: tuple[int, int]
    readers: tuple[str, ...]
    reader_roles: tuple[str, ...]
    exam_known: Weights
    indeterminate: float
    read_twice: float
    severity_right: float
    covers: Mapping[str, Reading]


@dataclass(frozen=True)
class Scenario:
    """Everything that makes a synthetic clinic."""

    title: str
    joint: str
    seed: int
    exams: int
    reference_people: int
    periods: Periods
    sites: Weights
    examiners: tuple[Examiner, ...]
    skill: Skill
    people: People
    complaints: Complaints
    visits: Visits
    sheet: ExamSheet
    conditions: Mapping[str, ConditionPlan]
    families: Mapping[str, Family]
    maneuvers: Mapping[str, ManeuverPlan]
    writing: Sheet
    history: Mapping[str, Rate]
    history_asked: float
    history_unsure: float
    forecasts: Forecasts
    decided_by_last_hands: bool
    references: Mapping[str, ReferencePlan]
    blanks: Mapping[str, Mapping[str, float]]

"""The clinical nouns of a catalogue, frozen: what may be wrong with a joint and how it is examined."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class NamedCode:
    """A code with the words that stand for it in a report."""

    code: str
    label: str


@dataclass(frozen=True, slots=True)
class SettledBy:
    """A modality that settles a condition, and the statuses it may settle: all, unless the catalogue limits it."""

    modality: str
    only: frozenset[str]


@dataclass(frozen=True, slots=True)
class ReferenceAccuracy:
    """Published sensitivity and specificity, proportions, of an imperfect reference; the first row is the default."""

    modality: str
    sensitivity: float
    sensitivity_low: float | None
    sensitivity_high: float | None
    specificity: float
    specificity_low: float | None
    specificity_high: float | None
    source: str


@dataclass(frozen=True, slots=True)
class AssumedAccuracy:
    """Sensitivity and specificity, proportions, assumed of a reference of which nothing is published.

    `logit_sd` is the standard deviation of both on the logit scale, independent of each other.
    """

    sensitivity: float
    specificity: float
    logit_sd: float


@dataclass(frozen=True, slots=True)
class Condition:
    """A target condition and the reference standard that settles it.

    `settled_by` is in order of authority and empty where no test settles the condition; `unsettled_note` then says so.
    `window_days` (first, last; both inclusive, day 0 the exam) is None exactly where nothing settles it.
    A condition with `derived_from` takes modalities, window, severity and pattern codes from its parts.
    `reference_accuracy` holds what is published of the modalities that settle it, `unpublished` names the rest.
    `stated_in` names the columns of exams in which the examiner states this very condition: no model of it uses them.
    """

    code: str
    name: str
    plain: str
    present_means: str
    settled_by: tuple[SettledBy, ...]
    taken_as_true: tuple[str, ...]
    window_days: tuple[int, int] | None
    severity: tuple[NamedCode, ...]
    pattern: tuple[NamedCode, ...]
    reference_accuracy: tuple[ReferenceAccuracy, ...]
    core: bool
    derived_from: tuple[str, ...]
    unsettled_note: str | None
    stated_in: tuple[str, ...] = ()

    @property
    def modalities(self) -> tuple[str, ...]:
        """The modalities that settle it, most authoritative first."""
        return tuple(entry.modality for entry in self.settled_by)

    @property
    def unpublished(self) -> tuple[str, ...]:
        """The modalities that settle it and may err, of whose accuracy nothing is published."""
        known = {*self.taken_as_true, *(row.modality for row in self.reference_accuracy)}
        return tuple(modality for modality in self.modalities if modality not in known)


@dataclass(frozen=True, slots=True)
class Published:
    """What a publication found for a maneuver against a condition; proportions, None where it gives no figure.

    `population`, `standard` and `bias` (risk of bias: low, unclear or high) are empty where the catalogue gives none.
    """

    condition: str
    sensitivity: float | None
    sensitivity_low: float | None
    sensitivity_high: float | None
    specificity: float | None
    specificity_low: float | None
    specificity_high: float | None
    source: str
    setting: str
    population: str = ""
    standard: str = ""
    bias: str = ""

    @property
    def cited(self) -> str:
        """The source in short: what stands before its first comma, and its year."""
        year = re.findall(r"\b(?:19|20)\d\d\b", self.source)[0]
        return f"{self.source.split(',')[0].removesuffix(year).strip()} {year}"

    @property
    def about(self) -> str:
        """Where the figure is from, in words: source, setting, and what is said of people, standard and bias."""
        told = {"": self.setting, "people: ": self.population, "standard: ": self.standard, "risk of bias: ": self.bias}
        return "; ".join([self.source, *(f"{head}{text}" for head, text in told.items() if text)])


@dataclass(frozen=True, slots=True)
class Maneuver:
    """An index test: how it is done, what counts as positive, and which conditions it speaks of.

    `grades` labels the grades in use, `unit` and `measure_name` the measured value; empty or None where there is none.
    `no_published_figure` says why nothing is `published`; empty where something is, or where the catalogue is silent.
    `end_point`: how it stops is noted; `done_first`: before the others of its phase; `silent_when_negative`: a negative
    finding is usual with the condition too, and is no case of a missed one.
    """

    code: str
    name: str
    phase: str
    purpose: str
    conditions: tuple[str, ...]
    positive: str
    signs: tuple[str, ...]
    technique: str
    grades: Mapping[int, str]
    unit: str | None
    measure_name: str | None
    compared_with_other_knee: bool
    variant_of: str | None
    core: bool
    cautions: tuple[str, ...]
    published: tuple[Published, ...]
    synonyms: tuple[str, ...]
    no_published_figure: str = ""
    end_point: bool = False
    done_first: bool = False
    silent_when_negative: bool = False

    @property
    def in_core_part(self) -> bool:
        """Whether it stands in the core part of sheet and workbook: a core maneuver or a safety check."""
        return self.core or self.purpose == "safety"


@dataclass(frozen=True, slots=True)
class HistoryItem:
    """A question put to the person, answered yes, no or unknown."""

    code: str
    label: str
    question: str
    synonyms: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Mechanism:
    """How the complaint came about."""

    code: str
    label: str
    description: str
    synonyms: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Modality:
    """A reference test, and the conditions every routine reading of it speaks of even where it names none."""

    code: str
    name: str
    always_covers: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Everything clinical about one joint, in the order of its file.

    `generic_reference_accuracy` is assumed of a condition's `unpublished` modalities; None where the file has none.
    """

    joint: str
    title: str
    modalities: Mapping[str, Modality]
    conditions: Mapping[str, Condition]
    maneuvers: Mapping[str, Maneuver]
    history: Mapping[str, HistoryItem]
    mechanisms: Mapping[str, Mechanism]
    quick_rule_out: tuple[str, ...]
    card_caution: str = ""
    generic_reference_accuracy: AssumedAccuracy | None = None

    @property
    def in_exam_order(self) -> tuple[Maneuver, ...]:
        """The maneuvers in catalogue order, but in each phase those that are done first before the others."""
        phases = list(dict.fromkeys(maneuver.phase for maneuver in self.maneuvers.values()))
        return tuple(sorted(self.maneuvers.values(), key=lambda one: (phases.index(one.phase), not one.done_first)))

    @property
    def pairs(self) -> tuple[tuple[str, str], ...]:
        """(condition, maneuver) in catalogue order, by maneuver; the condition is `none` for a maneuver without one."""
        return tuple(
            (condition, maneuver.code)
            for maneuver in self.maneuvers.values()
            for condition in maneuver.conditions or ("none",)
        )

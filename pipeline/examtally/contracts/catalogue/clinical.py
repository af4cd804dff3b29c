"""The clinical nouns of a catalogue, frozen: what may be wrong with a joint and how it is examined."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from examtally.contracts.yamlfile import Node

_MARK = re.compile("«(a |A )?(noun|nouns|Noun|Nouns|region)»")


@dataclass(frozen=True, slots=True)
class Noun:
    """One joint and many, and the region that is examined; `charted` are other words for it in exports.

    Texts speak of the joint by marks: «noun» and «nouns», with a capital «Noun» and «Nouns», with the article «a noun»
    and «A noun», and «region» for what is examined. `said` writes the words of one joint in their place.
    """

    one: str
    many: str
    region: str
    charted: tuple[str, ...] = ()

    def said(self, text: str) -> str:
        """`text` with the words of this joint in place of the marks.

        >>> Noun("ankle", "ankles", "ankle").said("«A noun» is one of two «nouns».")
        'An ankle is one of two ankles.'
        """
        return _MARK.sub(self._word, text) if "«" in text else text

    @staticmethod
    def is_marked(text: str) -> bool:
        """Whether a mark stands in `text`."""
        return _MARK.search(text) is not None

    def _word(self, found: re.Match[str]) -> str:
        article, mark = found[1] or "", found[2]
        word = {"noun": self.one, "nouns": self.many, "region": self.region}[mark.lower()]
        if article and word[0].lower() in "aeiou":
            article = f"{article.strip()}n "
        return article + (word if mark.islower() else word[0].upper() + word[1:])


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
    synonyms: tuple[str, ...] = ()

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
    `apart`: examined in another way than here (under anesthesia, several tests as one); told, but no part of a range.
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
    apart: bool = False

    @property
    def cited(self) -> str:
        """The source in short: what stands before its first comma, and its year."""
        year = re.findall(r"\b(?:19|20)\d\d\b", self.source)[0]
        return f"{self.source.split(',')[0].removesuffix(year).strip()} {year}"

    @property
    def about(self) -> str:
        """Where the figure is from, in words: source, setting, and what is said of people, standard and bias."""
        told = {"": self.setting, "people: ": self.population, "standard: ": self.standard, "risk of bias: ": self.bias}
        left_out = ["left out of the range"] if self.apart else []
        return "; ".join([self.source, *(f"{head}{text}" for head, text in told.items() if text), *left_out])


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
    compared_with_other_side: bool
    variant_of: str | None
    core: bool
    cautions: tuple[str, ...]
    published: tuple[Published, ...]
    synonyms: tuple[str, ...]
    no_published_figure: str = ""
    end_point: bool = False
    done_first: bool = False
    silent_when_negative: bool = False
    shorts: tuple[str, ...] = ()

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
    shorts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Mechanism:
    """How the complaint came about."""

    code: str
    label: str
    description: str
    synonyms: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Modality:
    """A reference test, and the conditions every routine reading of it speaks of even where it names none.

    `name` stands in headings, `label` in lists. With `alone` a sensitivity analysis takes it as the only reference.
    """

    code: str
    name: str
    label: str
    always_covers: tuple[str, ...]
    is_surgery: bool = False
    alone: bool = False
    synonyms: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OwnGrouping:
    """A grouping that only this joint has, by one of its columns: by its codes, or by bands that begin at `first`."""

    name: str
    column: str
    label: str
    first: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ModelTerm:
    """A term of the model behind the leading estimate: whether a column of the joint holds one of the codes."""

    name: str
    column: str
    codes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Everything clinical about one joint, in the order of its file.

    `generic_reference_accuracy` is assumed of a condition's `unpublished` modalities; None where the file has none.
    `columns` are the declarations of what is recorded of this joint alone, by record table; `other_side_column` is the
    column of exams that tells of the other side. `hash` is the sha256 of the content, however the file is laid out;
    `local` is that content as JSON where the catalogue is a group's own, empty for one that comes with the package.
    """

    joint: str
    title: str
    noun: Noun
    modalities: Mapping[str, Modality]
    conditions: Mapping[str, Condition]
    maneuvers: Mapping[str, Maneuver]
    history: Mapping[str, HistoryItem]
    mechanisms: Mapping[str, Mechanism]
    quick_rule_out: tuple[str, ...]
    other_side_column: str
    card_caution: str = ""
    sheet_caution: str = ""
    rule_out_heading: str = ""
    comparison_rule: str = ""
    generic_reference_accuracy: AssumedAccuracy | None = None
    proper_names: frozenset[str] = frozenset()
    signs: Mapping[str, str] = field(default_factory=dict)
    columns: Mapping[str, tuple[Node, ...]] = field(default_factory=dict)
    groupings: Mapping[str, OwnGrouping] = field(default_factory=dict)
    case_mix: tuple[str, ...] = ()
    model_terms: Mapping[str, ModelTerm] = field(default_factory=dict)
    hash: str = ""
    local: str = ""

    @property
    def surgery(self) -> tuple[str, ...]:
        """The modalities that are operations."""
        return tuple(code for code, one in self.modalities.items() if one.is_surgery)

    def grouping_of(self, column: str) -> str:
        """Its grouping by the codes of a column."""
        return next(name for name in self.coded if self.groupings[name].column == column)

    @property
    def banded(self) -> tuple[str, ...]:
        """Its own groupings by bands of a number."""
        return tuple(name for name, one in self.groupings.items() if one.first)

    @property
    def coded(self) -> tuple[str, ...]:
        """Its own groupings by the codes of a column."""
        return tuple(name for name, one in self.groupings.items() if not one.first)

    @property
    def alone(self) -> tuple[str, ...]:
        """The modalities that a sensitivity analysis takes as the only reference, readings before operations."""
        return tuple(
            sorted((code for code, one in self.modalities.items() if one.alone), key=self.surgery.__contains__)
        )

    @property
    def own_codes(self) -> dict[str, tuple[str, ...]]:
        """The codes of result tables that only this joint has, by the name of their set."""
        return {"group_by": tuple(self.groupings), "scenario": tuple(f"{code}_only" for code in self.alone)}

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

"""What a protocol says of the analysis set: who is in it, what settles a condition, how groups are cut."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Any, TypeAlias

from examtally.contracts.checks import Fault, nearest
from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.declaration import Section
from examtally.contracts.kinds import (
    LONGEST_DAY,
    Checked,
    Code,
    Condition,
    Distinct,
    Flag,
    Key,
    Legal,
    Rising,
    Text,
    Two,
    Whole,
    nothing,
)

if TYPE_CHECKING:
    from pydantic_core.core_schema import CoreSchema

FOLLOW_UP = "follow_up"
ACUITY = ("acute", "subacute", "chronic")
Window: TypeAlias = Annotated[
    tuple[int, int],
    Two(Whole(-LONGEST_DAY, LONGEST_DAY), "is not a window", "write first and last day, as [0, 90]", is_rising=True),
]


def _two_days(cuts: tuple[int, ...], _contract: Contract) -> Iterator[Fault]:
    if len(cuts) != 2:
        yield Fault("does not hold 2 numbers", f"write ascending whole numbers from 0 to {LONGEST_DAY}, 2 of them")


def _settling(accepted: Mapping[str, Collection[str]], contract: Contract) -> Iterator[Fault]:
    for condition, modalities in accepted.items():
        own = contract.catalogue.conditions[condition].modalities
        legal = tuple(dict.fromkeys((*own, FOLLOW_UP)))
        if not modalities:
            yield Fault("is empty", f"name one or more of {', '.join(legal)}", condition)
        for index, modality in enumerate(modalities):
            if modality not in legal:
                problem = f"'{modality}' is not a modality that can settle {condition}"
                yield Fault(problem, nearest(modality, legal), condition, index)


def _without_maneuvers(definitions: Mapping[str, str], contract: Contract) -> Iterator[Fault]:
    """A case definition must not use the index tests of its condition."""
    for condition, text in definitions.items():
        spoken = text.lower().replace("_", " ")
        for maneuver in contract.catalogue.maneuvers.values():
            names = (maneuver.code.replace("_", " "), maneuver.name, *maneuver.synonyms)
            is_used = any(re.search(rf"\b{re.escape(name.lower())}\b", spoken) for name in names)
            if is_used and condition in maneuver.conditions:
                problem = f"uses the index maneuver {maneuver.code}"
                yield Fault(problem, "define the case without the maneuvers under study", condition)
                break


@dataclass(frozen=True)
class Bands:
    """A whole number cut into named bands: `codes[i]` holds `starts[i - 1] <= value < starts[i]`."""

    codes: tuple[str, ...]
    starts: tuple[int, ...]

    @classmethod
    def between(cls, starts: tuple[int, ...]) -> Bands:
        """Name the bands by their limits: under_16, 16_25, …, 60_over."""
        inner = [f"{low}_{high - 1}" for low, high in pairwise(starts)]
        return cls((f"under_{starts[0]}", *inner, f"{starts[-1]}_over"), starts)

    @classmethod
    def cut(cls, group_by: str, cuts: tuple[int, ...]) -> Bands:
        """The bands of a grouping: acuity is cut by last day, the others by the first value of each further band."""
        return cls(ACUITY, tuple(cut + 1 for cut in cuts)) if group_by == "acuity" else cls.between(cuts)

    def spans(self, unit: str) -> tuple[str, ...]:
        """What each band holds, in words: up to 21 days, 22–84 days, 85 days and over."""
        inner = (f"{start}–{following - 1} {unit}" for start, following in pairwise(self.starts))
        return (f"up to {self.starts[0] - 1} {unit}", *inner, f"{self.starts[-1]} {unit} and over")


@dataclass(frozen=True)
class Eligibility(Section):
    """Which exams are left out before an index exam is chosen."""

    exclude_comparison_knees: Annotated[bool, Flag()] = True
    """Leave out exams of «a noun» without a complaint (complaint is no). A comparison «noun» is never imaged and
    flatters specificity.
    """
    exclude_settings: Distinct[Annotated[str, Code("a legal value", "exams.setting")]] = ("operating_room",)
    """Settings whose exams are left out. An exam under anesthesia answers another question."""
    exclude_prior_surgery: Annotated[bool, Flag()] = True
    """Leave out exams of «a noun» operated on before (prior_surgery is yes)."""
    exclude_reference_known: Annotated[bool, Flag()] = True
    """Leave out exams whose examiner knew a reference result (reference_known is yes)."""
    exclude_after_surgery: Annotated[bool, Flag()] = True
    """Leave out exams that come after an arthroscopy or open surgery of the same episode. The same day is allowed."""
    exclude_after_reference: Annotated[bool, Flag()] = True
    """Leave out, condition by condition, exams that come after a reading by a modality that can settle the condition,
    unless the reading lies in a window that begins before day 0. The same day is allowed.
    """
    last_periods: Annotated[int, Whole(0, 1200)] = 0
    """Take only exams of so many of the newest periods whose windows have closed for every core condition; 0 takes all.
    An examiner's sheet asks for 12.
    """


@dataclass(frozen=True)
class Maturity(Section):
    """How long an exam stays open for its reference, in periods, where periods are ordinals."""

    immature_periods: Annotated[int, Whole(0, 120)] = 3
    """With ordinal periods, how many of the newest ordinal numbers are still open for references (or window / 30
    rounded up, where that is more). Calendar months use the window itself.
    """


@dataclass(frozen=True)
class Reference(Section):
    """What settles each condition: modalities, most authoritative first, and written case definitions."""

    accepted: Annotated[
        Mapping[Condition, Distinct[Annotated[str, Code("a modality", "modalities")]]],
        Checked(_settling, "for each condition by name, a list of modalities that can settle it; as in the catalogue"),
    ] = field(default_factory=nothing)
    """Modalities that settle a condition, most authoritative first. Each must be one the catalogue names for that
    condition, or follow_up where the condition has a clinical_case_definition.
    """
    clinical_case_definition: Annotated[
        Mapping[Condition, Annotated[str, Text(longest=2000)]],
        Checked(_without_maneuvers, "for each condition by name, a text that names none of its maneuvers"),
    ] = field(default_factory=nothing)
    """A written case definition, using none of the index maneuvers, that lets follow_up settle the condition.
    Every figure that rests on it is labelled as made against a clinical diagnosis.
    """
    blinded_readers_only: Annotated[bool, Flag()] = False
    """Use a reading only where its reader is recorded not to have known the exam (exam_known is no)."""


@dataclass(frozen=True)
class Groups(Section):
    """Cut points of the banded groups: acuity by last day, the others by the first value of each further band."""

    acuity: Annotated[Rising[Annotated[int, Whole(0, LONGEST_DAY)]], Checked(_two_days)] = (21, 84)
    """Last day since onset that is acute, and last that is subacute; later is chronic."""
    age_band: Rising[Annotated[int, Whole(1, 90)]] = (16, 26, 40, 60)
    """First age in years of each age band from the second on."""
    bmi_band: Rising[Annotated[int, Whole(11, 80)]] = (25, 30)
    """First body mass index in kg/m2 of each band from the second on."""
    own: Annotated[
        Mapping[Annotated[str, Key("a grouping of the joint", "own_bands")], Rising[Annotated[int, Whole()]]],
        Legal("for each grouping of the joint by name, ascending numbers; as in the catalogue"),
    ] = field(default_factory=nothing)
    """First value of each band, from the second on, of a grouping that only this joint has. It may also stand beside
    the others, as `thigh_band: [45, 55]`.
    """

    @classmethod
    def _with_known_keys(cls, value: Any, contract: Contract) -> Any:
        """Groupings of the joint may stand beside those of every joint."""
        if isinstance(value, dict):
            beside = {key: value[key] for key in value if key in contract.catalogue.banded}
            given = value.get("own", {})
            if beside and isinstance(given, dict):
                value = {key: one for key, one in value.items() if key not in beside} | {"own": beside | given}
        return super()._with_known_keys(value, contract)

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: Any) -> Any:
        """The bands of the default joint stand beside those of every joint, for editors."""
        made = handler(schema)
        properties = handler.resolve_ref_schema(made)["properties"]
        for name, one in load_contract().catalogue.groupings.items():
            if one.first:
                says = f"First value of each band from the second on, of the {one.label}."
                properties[name] = {**properties["age_band"], "default": list(one.first), "description": says}
        return made

    def bands(self, group_by: str) -> Bands:
        """Return the codes and first values of the bands of `group_by`, one of this object's fields or of `own`."""
        cuts: tuple[int, ...] = self.own[group_by] if group_by in self.own else getattr(self, group_by)
        return Bands.cut(group_by, cuts)


@dataclass(frozen=True)
class Scenarios(Section):
    """What enters the analyses beside the main one."""

    not_done_reasons: Distinct[Annotated[str, Code("a legal value", "findings.reason")]] = (
        "pain",
        "guarding",
        "swelling",
        "body_size",
        "not_able",
        "unsafe",
    )
    """Reasons for which a maneuver not done enters the scenarios of equivocal findings. The «noun» itself was the
    reason.
    """

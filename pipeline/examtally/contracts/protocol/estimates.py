"""What a protocol says of estimates: intervals, predictive values, corrections, pooling, agreement, comparisons."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Annotated, Any, TypeAlias

from examtally.contracts.checks import Fault, nearest
from examtally.contracts.codes import codes_of
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Section
from examtally.contracts.kinds import (
    SEED,
    Between,
    Checked,
    Code,
    Condition,
    Distinct,
    Key,
    Legal,
    Rising,
    Seed,
    Share,
    Short,
    Text,
    Two,
    Whole,
    nothing,
    one_of,
)

SEVERITY = "severity"
"""The grouping of knees with a condition by its own degrees, which has sensitivity alone."""
MERGED = "+"
"""Between levels that are one group together, as in subacute+chronic."""
RECORDED = {
    "role": "examiners.role",
    "setting": "exams.setting",
    "sex": "participants.sex",
    "guarding": "exams.guarding",
}
Pair: TypeAlias = Annotated[tuple[str, str], Two(Text(), "is not a pair", "write two, as [one, other]")]
Pairs: TypeAlias = tuple[Pair, ...]
Role: TypeAlias = Annotated[str, Code("a legal value", "examiners.role")]


def _one_for_all(value: Any, contract: Contract) -> Any:
    """One prevalence is that of every condition; blank is that of none."""
    if value is None:
        return {}
    return value if isinstance(value, dict | list) else dict.fromkeys(contract.catalogue.conditions, value)


def _maneuver_pairs(family: Mapping[str, Pairs], contract: Contract) -> Iterator[Fault]:
    for condition, pairs in family.items():
        own = maneuvers_for(condition, contract)
        yield from odd_pairs(pairs, f"a maneuver for {condition}", own, condition)


def _group_pairs(groups: Mapping[str, Pairs], contract: Contract) -> Iterator[Fault]:
    """Bands are looked at once their limits are known, see `_check_bands`."""
    for name, pairs in groups.items():
        if name == SEVERITY:
            degrees = [one.code for each in contract.catalogue.conditions.values() for one in each.severity]
            yield from odd_pairs(pairs, "a severity of the catalogue", list(dict.fromkeys(degrees)), name)
            continue
        own = contract.catalogue.groupings.get(name)
        column = RECORDED.get(name) or (f"exams.{own.column}" if own and not own.first else "")
        yield from odd_groups(pairs, name, tuple(codes_of(column, contract)) if column else None)


def levels_of(group: str) -> tuple[str, ...]:
    """The levels that a group is made of; most are one alone."""
    return tuple(group.split(MERGED))


def group_words(group: str) -> str:
    """A group in plain words: subacute or chronic."""
    return " or ".join(level.replace("_", " ") for level in levels_of(group))


def odd_groups(pairs: Pairs, name: str, levels: Sequence[str] | None, *, are_ordered: bool = False) -> Iterator[Fault]:
    """Levels that are not legal, pairs that stand twice, and levels that are in two groups or merged past a neighbor.

    `levels` are None where they are not known yet.
    """
    if levels is None:
        yield from odd_pairs(pairs, f"a group of {name}", None, name)
        return
    seen: dict[str, str] = {}
    merged = {group for pair in pairs for group in pair if MERGED in group}
    for index, pair in enumerate(pairs):
        for place, group in enumerate(pair):
            if not _is_of(group, levels):
                continue
            at = [levels.index(level) for level in levels_of(group)]
            if len(set(at)) < len(at):
                yield Fault(f"'{group}' names a level twice", "keep it once", name, index, place)
            elif are_ordered and max(at) - min(at) >= len(at):
                yield Fault(f"'{group}' leaves out a band between", "merge neighbors", name, index, place)
            for level in levels_of(group):
                if seen.setdefault(level, group) != group:
                    problem = f"'{level}' is in '{seen[level]}' and in '{group}'"
                    yield Fault(problem, "put each level into one group", name, index, place)
    yield from odd_pairs(pairs, f"a group of {name}", (*levels, *(one for one in merged if _is_of(one, levels))), name)


def _is_of(group: str, levels: Collection[str]) -> bool:
    return set(levels_of(group)) <= set(levels)


def odd_pairs(pairs: Pairs, what: str, legal: Collection[str] | None, *at: str) -> Iterator[Fault]:
    """Codes that are not legal, and pairs that stand twice in either order."""
    for index, pair in enumerate(pairs):
        for place, code in enumerate(pair):
            if legal is not None and code not in legal:
                yield Fault(f"'{code}' is not {what}", nearest(code, legal), *at, index, place)
        if pair[0] == pair[1]:
            yield Fault(f"'{pair[0]}' stands twice", "keep it once", *at, index, 1)
        if {*pair} in [{*other} for other in pairs[:index]]:
            yield Fault("stands twice", "keep it once", *at, index)


def maneuvers_for(condition: str, contract: Contract) -> tuple[str, ...]:
    """The maneuvers meant to speak of a condition, in the order of the catalogue."""
    return tuple(maneuver for code, maneuver in contract.catalogue.pairs if code == condition)


@dataclass(frozen=True)
class Intervals(Section):
    """Confidence level and the interval methods."""

    level: Annotated[float, Between(0.5, 1)] = 0.95
    """Confidence level of every interval."""
    proportion: Annotated[
        str,
        one_of(
            wilson="Wilson score interval",
            clopper_pearson="Clopper-Pearson interval",
            jeffreys="Jeffreys interval",
            agresti_coull="Agresti-Coull interval, cut off at 0 and 1",
        ),
    ] = "wilson"
    """Interval of a proportion (sensitivity, specificity, predictive values, prevalence)."""
    lr: Annotated[
        str,
        one_of(
            score="score interval of a ratio of two independent proportions, nothing added to a zero cell",
            log_delta="delta method on the logarithm",
        ),
    ] = "score"
    """Interval of a likelihood ratio. Clustered tables use log_delta with clustered variances either way."""
    zero_cells: Annotated[
        str,
        one_of(
            none="nothing is added",
            half="0.5 is added to all four cells where one of them is 0",
        ),
    ] = "none"
    """What is done about a 2x2 table with an empty cell before a ratio is formed."""


@dataclass(frozen=True)
class PredictiveValues(Section):
    """Prevalence by condition at which predictive values are given; a condition not in it uses the local share."""

    prevalence: Annotated[
        Mapping[Condition, Share],
        Short(_one_for_all, (Between(0, 1).json(), {"type": "null"})),
        Legal("a number above 0 and below 1, or one for each condition by name; blank for the local share"),
    ] = field(default_factory=nothing)
    """Prevalence at which predictive values are given, for all conditions or for each by name.
    Blank means the share with the condition among the verified «nouns».
    """


@dataclass(frozen=True)
class PostTest(Section):
    """Probabilities before the finding for which the probability after it is given."""

    pre_test: Rising[Share] = (0.1, 0.3, 0.5, 0.7)
    """Probabilities before the finding for which the probability after it is given."""


@dataclass(frozen=True)
class Display(Section):
    """When a report shows an estimate."""

    min_participants: Annotated[int, Whole(1, 1000)] = 10
    """Participants in a denominator below which a report shows counts and no estimate."""


@dataclass(frozen=True)
class Verification(Section):
    """What else may enter the models of who was verified, and the imputations beside them."""

    add_terms: Distinct[Annotated[str, Code("a legal value", "verification_terms")]] = ()
    """Variables that enter the models of who was verified and of the condition after the standing ones (own maneuvers,
    codes of the joint, impression, acuity, setting, role, other core findings), as far as the verified «nouns» allow.
    """
    imputations: Annotated[int, Whole(5, 200)] = 20
    """Completed data sets behind the figures of multiple imputation."""
    seed: Seed = SEED
    """Seed of those imputations."""


@dataclass(frozen=True)
class Examiners(Section):
    """How examiners are pooled."""

    margin: Share = 0.1
    """How far below the group's mean, in probability, an examiner's figure must lie to count as below."""
    seed: Seed = SEED
    """Seed of the draws behind pooled figures."""


@dataclass(frozen=True)
class Agreement(Section):
    """Which two exams make a pair, and who teaches whom."""

    max_days: Annotated[int, Whole(0, 365)] = 14
    """Days between two exams of one «noun»-episode up to which they are a pair."""
    learners: Distinct[Role] = ("fellow", "resident", "student")
    """Roles that learn; each pair with a supervisor counts under learner_supervisor."""
    supervisors: Distinct[Role] = ("attending",)
    """Roles that supervise."""
    least: Share = 0.8
    """Share of findings that agree with a supervisor's, under which an examiner's sheet advises practice."""


@dataclass(frozen=True)
class Comparisons(Section):
    """Which maneuvers and which groups are compared, and by which of McNemar's tests.

    `family` and `groups` hold pairs by condition and by grouping; p values are adjusted within them.
    """

    family: Annotated[
        Mapping[Condition, Pairs],
        Checked(_maneuver_pairs, "for each condition by name, a list of pairs of its maneuvers, as [[one, other]]"),
    ] = field(default_factory=nothing)
    """Pairs of maneuvers whose p values are adjusted together, condition by condition and measure by measure. Where it
    is not given: every core maneuver with every other of its condition, and every variant with what it varies. All
    other pairs are compared too, without an adjusted p value.
    """
    groups: Annotated[
        Mapping[Annotated[str, Key("a grouping", "compared_groups")], Pairs],
        Checked(_group_pairs, "for each grouping by name, a list of pairs of its groups, as [[one, other]]"),
    ] = field(
        default_factory=lambda: MappingProxyType(
            {"acuity": (("acute", "chronic"),), "role": (("resident", "attending"),)}
        )
    )
    """Groups of exams between which each maneuver is compared, by role, setting, acuity, sex, age_band, bmi_band,
    guarding, severity of the condition or a grouping of the joint. Levels with + between them are one group in every
    table: acuity: [[acute, subacute+chronic]]. Bands are merged with their neighbors; severities are not merged.
    """
    test: Annotated[
        str, one_of(mcnemar_midp="the mid-p value", mcnemar_exact="the exact p value, which errs on the large side")
    ] = "mcnemar_midp"
    """The p value of McNemar's test of two maneuvers on the same «nouns», nobody with several «nouns»."""

    def merged(self, group_by: str) -> Mapping[str, str]:
        """The group of each level of a grouping that is merged with others."""
        groups = {group for pair in self.groups.get(group_by, ()) for group in pair if MERGED in group}
        return {level: group for group in groups for level in levels_of(group)}

    def grouped(self, group_by: str, levels: Collection[str]) -> tuple[str, ...]:
        """The groups that levels are in; most are groups of their own."""
        groups = self.merged(group_by)
        return tuple(dict.fromkeys(groups.get(level, level) for level in levels))

    def torn(self, group_by: str, levels: Collection[str]) -> str:
        """A group of which some levels are among these and others are not; empty where there is none."""
        groups = self.grouped(group_by, levels) if levels else ()
        return next((group for group in groups if not _is_of(group, levels)), "")

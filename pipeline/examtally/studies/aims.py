"""What a study is planned for, measure by measure: the size it needs and what a size reaches."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import beta

from examtally.analytics import sample_size as sizes
from examtally.analytics.intervals import FloatArray
from examtally.contracts.study.parts import PlannedSize

KAPPA = "kappa_half_width"
WITH_POWER = ("lower_limit", "paired", "unpaired")
BOTH = "both"
_QUANTILES, _COARSE = 400, 9
_TOP = 0.999


@dataclass(frozen=True)
class Goal:
    """One measure under one aim: `expected` of it, and what is `wanted` (half-width, lower limit or difference).

    `discordant` is for paired (None: of two tests that err independently), `ratio` and `examiners` for unpaired;
    `tail` is that of a two-sided interval.
    """

    aim: str
    measure: str
    expected: float
    wanted: float
    tail: float
    power: float
    discordant: float | None = None
    positive: float = math.nan
    ratio: float = 1.0
    examiners: sizes.Examiners | None = None

    def independent(self) -> tuple[int, ...]:
        """Knees (pairs, for kappa) in the analysis if all were independent: one number, or one a group.

        Raises ValueError where the numbers allow none.
        """
        expected, wanted, tail, power = self.expected, self.wanted, self.tail, self.power
        match self.aim:
            case "half_width":
                return (sizes.half_width(expected, expected, wanted, 0.5, tail).with_condition,)
            case "lower_limit":
                return (sizes.lower_limit(expected, wanted, tail, power).stable,)
            case "paired":
                return (sizes.paired(wanted, self.differ(), tail, power),)
            case "unpaired":
                return sizes.unpaired_groups(*self.two(), tail, power, self.ratio)
        return (sizes.kappa_half_width(expected, self.positive, wanted, tail),)

    def needed(self) -> tuple[int, ...] | None:
        """Knees in the analysis, with examiners as clusters where they make the groups; None: no number is enough."""
        alone = self.independent()
        if self.examiners is None:
            return alone
        first = self.examiners.needed(alone[0], self.typical(), self.tail, self.power)
        return (math.ceil(first), math.ceil(first * self.ratio)) if math.isfinite(first) else None

    def reached(self, knees: float) -> float:
        """Power, or half-width, with this many in the analysis, both groups together."""
        if self.aim == "unpaired":
            return self.reached_by(knees / (1 + self.ratio), knees * self.ratio / (1 + self.ratio))
        n = max(int(knees), 2)
        if self.aim == "half_width":
            return sizes.quantile(self.tail) * math.sqrt(self.expected * (1 - self.expected) / max(knees, 2))
        if self.aim == "lower_limit":
            return float(sizes.limit_power(n, self.expected, self.wanted, self.tail))
        if self.aim == "paired":
            return sizes.paired_power(n, self.wanted, self.differ(), self.tail)
        return sizes.quantile(self.tail) * math.sqrt(sizes.kappa_variance(self.expected, self.positive) / n)

    def reached_by(self, first: float, second: float) -> float:
        """Power of two groups with so many knees in the analysis."""
        if min(first, second) < 1:
            return self.tail * 2
        if self.examiners is not None:
            worth = replace(self.examiners, ratio=second / first).effective(
                first, self.typical(), self.tail, self.power
            )
            first, second = worth, worth * second / first
        return sizes.unpaired_power(max(int(first), 1), *self.two(), self.tail, max(int(second), 1))

    def two(self) -> tuple[float, float]:
        """The measure in both groups."""
        return self.expected, self.expected - self.wanted

    def typical(self) -> float:
        """Between both groups."""
        return sum(self.two()) / 2

    def differ(self) -> float:
        """Share of knees in which two tests differ."""
        if self.discordant is not None:
            return self.discordant
        return sizes.independent_discordance(self.expected, min(self.expected + self.wanted, _TOP))

    def assurance(self, knees: float, published: int) -> float:
        """Chance of reaching the aim where the expected figures are those of `published` knees (a group, for two).

        The power (or whether the half-width is kept) is averaged over what these knees leave open: uniform priors
        updated by them, at evenly spaced quantiles.

        Source: O'Hagan A, Stevens JW, Campbell MJ. Pharm Stat 2005;4:187-201.
        """
        return float(np.mean([_met(one, knees) for one in self._open(published)]))

    def _open(self, published: int) -> Iterator[Goal]:
        """The goal as what was published leaves it open."""
        if self.aim == "paired":
            differ = self.differ()
            favour = (differ + self.wanted) / 2 / differ
            for share in _quantiles(differ, published, _COARSE):
                for first in _quantiles(favour, published * differ, _COARSE):
                    yield replace(self, discordant=float(share), wanted=float(share * (2 * first - 1)))
        elif self.aim == "unpaired":
            one, other = (_quantiles(share, published, _COARSE) for share in self.two())
            for a in one:
                for b in other:
                    yield replace(self, expected=float(a), wanted=float(a - b))
        else:
            for share in _quantiles(self.expected, published, _QUANTILES):
                yield replace(self, expected=float(share))


def _met(goal: Goal, knees: float) -> float:
    """Chance of reaching the aim, were this the truth; in the direction that was planned for."""
    if goal.aim in ("half_width", KAPPA):
        return float(goal.reached(knees) <= goal.wanted)
    if goal.aim in ("paired", "unpaired") and goal.wanted <= 0:
        return 0.0
    return goal.reached(knees)


def _quantiles(share: float, behind: float, number: int) -> FloatArray:
    """Evenly spaced quantiles of a share that was seen in so many knees, from a uniform prior."""
    at = (np.arange(number) + 0.5) / number
    return np.asarray(beta.ppf(at, 1 + behind * share, 1 + behind * (1 - share)))


@dataclass(frozen=True)
class Aim:
    """Every goal of a plan with its share of the verified knees; `both` measures are to be reached together."""

    goals: tuple[Goal, ...]
    shares: tuple[float, ...]

    @property
    def name(self) -> str:
        """The aim that the goals have in common."""
        return self.goals[0].aim

    def verified(self) -> int | None:
        """Verified knees for all goals together: each has its own size, and the chance of all is the power.

        One goal alone has its size as it is, in knees of its own side. None where no number is enough.
        """
        alone = [goal.needed() for goal in self.goals]
        if any(one is None for one in alone):
            return None
        totals = [sum(one) for one in alone if one is not None]
        if len(totals) == 1:
            return totals[0]
        most = max(math.ceil(total / share) for total, share in zip(totals, self.shares, strict=True))
        if self.name not in WITH_POWER:
            return most
        least = _first(lambda knees: self.reached(knees) >= self.goals[0].power, most)
        return None if least is None else least

    def reached(self, knees: float) -> float:
        """Power for all goals, which different knees decide; the half-width of the first goal."""
        if len(self.goals) == 1:
            return self.goals[0].reached(knees)
        each = [goal.reached(knees * share) for goal, share in zip(self.goals, self.shares, strict=True)]
        return math.prod(each) if self.name in WITH_POWER else each[0]

    def assurance(self, knees: float, published: Mapping[str, int]) -> float | None:
        """Chance of reaching every goal; None where a goal rests on figures of which nothing is said."""
        if any(goal.measure not in published for goal in self.goals):
            return None
        own = self.shares if len(self.goals) > 1 else (1.0,)
        return math.prod(
            goal.assurance(knees * share, published[goal.measure]) for goal, share in zip(self.goals, own, strict=True)
        )


_MOST = 64


def _first(is_enough: Callable[[int], bool], start: int) -> int | None:
    """The smallest number from `start` on that is enough, by bisection; None where 64 times as many are not."""
    if is_enough(start):
        return start
    low, high = start, start * 2
    while not is_enough(high):
        low, high = high, high * 2
        if high > start * _MOST:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if is_enough(middle) else (middle, high)
    return high


_WANTED = {"half_width": "half_width", "lower_limit": "lower_limit", KAPPA: "half_width"}
_SIDES = ("sensitivity", "specificity")
_NEEDS = {
    "half_width": ("half_width",),
    "lower_limit": ("lower_limit",),
    "paired": ("difference",),
    "unpaired": ("difference",),
    KAPPA: ("kappa", "positive_share", "half_width"),
}


def measures_of(planned: PlannedSize) -> tuple[str, ...]:
    """The measures that are planned for."""
    if planned.aim == KAPPA:
        return ("kappa",)
    return _SIDES if planned.aim == "half_width" or planned.measure == BOTH else (planned.measure,)


def needs(planned: PlannedSize) -> tuple[str, ...]:
    """Return the numbers that the aim of a planned size rests on; those of one measure need what is expected of it."""
    if planned.aim is None:
        return ()
    expected = () if planned.aim == KAPPA else measures_of(planned)
    return (*expected, *_NEEDS[planned.aim])


def aim_of(
    planned: PlannedSize,
    tail: float,
    prevalence: float,
    *,
    ratio: float = 1.0,
    examiners: sizes.Examiners | None = None,
) -> Aim:
    """The goals of a planned size that states its aim and all numbers it `needs`."""
    measures = measures_of(planned)
    numbers = planned.numbers

    def stated(name: str, measure: str) -> float | None:
        own = numbers.get(f"specificity_{name}") if measure == "specificity" and len(measures) > 1 else None
        return numbers.get(name) if own is None else own

    goals = tuple(
        Goal(
            aim=str(planned.aim),
            measure=measure,
            expected=numbers[measure],
            wanted=float(stated(_WANTED.get(str(planned.aim), "difference"), measure) or math.nan),
            tail=tail,
            power=planned.power,
            discordant=stated("discordant", measure),
            positive=numbers.get("positive_share", math.nan),
            ratio=ratio,
            examiners=examiners,
        )
        for measure in measures
    )
    return Aim(goals, tuple(1 - prevalence if measure == "specificity" else prevalence for measure in measures))


def contradiction(planned: PlannedSize, tail: float) -> str:
    """What is wrong with the numbers of a planned size that states all it `needs`; empty where nothing is."""
    try:
        for goal in aim_of(planned, tail, 0.5, ratio=planned.numbers.get("allocation", 1.0)).goals:
            goal.independent()
    except ValueError as fault:
        return str(fault)
    return ""


def published_of(planned: PlannedSize) -> dict[str, int]:
    """Knees (pairs) behind the published figure of each measure, where they are stated."""
    first, *more = measures_of(planned)
    found = {first: planned.numbers.get("published")}
    found |= {measure: planned.numbers.get("specificity_published") for measure in more}
    return {measure: int(number) for measure, number in found.items() if number is not None}

"""How large a study must be and how long it takes, from its protocol and the registry's own rates."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from examtally.analytics import sample_size as sizes
from examtally.analytics.comparison.examiner_clusters import ENOUGH_EXAMINERS
from examtally.contracts.protocol.estimates import SEVERITY, group_words
from examtally.contracts.study.study import Study, load_study
from examtally.errors import StudyError
from examtally.registry import Registry, open_registry
from examtally.studies.aims import KAPPA, WITH_POWER, Aim, Goal, aim_of, needs, published_of
from examtally.studies.plan import CORRELATION, Assumption, Plan
from examtally.studies.rates import Rates, read_rates

_SIZES = 25
_CLUSTERS = "Hemming K. BMC Med Res Methodol 2011;11:102"
SKILL = 0.3
"""Assumed standard deviation of examiners' skill on the logit scale: it cannot be had blind to the results."""


def plan(protocol: Study | Path | str | Mapping[str, Any], registry: Registry | Path | str) -> Plan:
    """Plan the first primary analysis of a study for its stated aim, from the registry's own rates.

    It is blind to what the tests under study found. `print` gives the paragraph for an ethics application; sizes are
    knees, time is in periods of the registry. Raises StudyError where the aim or a number it rests on is missing,
    ProtocolError for the protocol.

        planned = et.plan("study.yaml", "registry.duckdb")
        print(planned)
        planned.write("plan")
    """
    study = protocol if isinstance(protocol, Study) else load_study(protocol)
    if not isinstance(registry, Registry):
        with open_registry(registry) as opened:
            return plan(study, opened)
    aim, numbers = study.planned_size.aim, study.planned_size.numbers
    if aim is None or any(name not in numbers for name in needs(study.planned_size)):
        raise StudyError(
            "planned_size: state the aim and the numbers it rests on; "
            + ("`study check` lists them" if aim else "see docs")
        )
    primary = study.primary[0]
    tests = primary.tests if aim == "paired" else (study.planned_size.test or primary.tests[0],)
    if aim == "paired" and len(tests) != 2:
        raise StudyError("planned_size.aim: paired needs a paired analysis as the first primary one")
    try:
        return _Planner(study, tests, read_rates(registry, study, tests)).plan()
    except ValueError as fault:
        raise StudyError(f"planned_size: {fault}; change the number") from None


def readiness(study: Study, registry: Registry) -> tuple[str, ...]:
    """What speaks against locking or running a study on these records today; nothing where no size can be planned."""
    try:
        return plan(study, registry).warnings
    except StudyError:
        return ()


def planned_aim(study: Study, rates: Rates) -> Aim:
    """What a study is planned for, with the groups and examiners that the registry has."""
    planned = study.planned_size
    ratio, people = planned.numbers.get("allocation", _ratio(rates)), _people(rates)
    first, second = (tuple(rates.examiners.values()) or (0, 0))[:2]
    are_clusters = planned.aim == "unpaired" and min(first, second) > 0
    examiners = sizes.Examiners(first, second, SKILL, ratio, people) if are_clusters else None
    return aim_of(planned, study.alpha / 2, _prevalence(rates), ratio=ratio, examiners=examiners)


def _ratio(rates: Rates) -> float:
    """How many index exams the second group has for each of the first; 1 where no groups are compared."""
    counts = tuple(rates.groups.values())
    return counts[1] / counts[0] if len(counts) > 1 and min(counts) > 0 else 1.0


def _prevalence(rates: Rates) -> float:
    return rates.present / rates.verified if 0 < rates.present < rates.verified else 0.5


def _people(rates: Rates) -> float:
    """Design effect of several knees a person."""
    return sizes.design_effect(rates.squares, max(rates.in_clusters, 1), CORRELATION)


class _Planner:
    """One plan under way."""

    def __init__(self, study: Study, tests: tuple[str, ...], rates: Rates) -> None:
        self.study, self.tests, self.rates = study, tests, rates
        self.aim = planned_aim(study, rates)

    def plan(self) -> Plan:
        """The whole plan, in the words of its joint."""
        said = self.study.contract.catalogue.noun.said
        needed = self.aim.verified()
        independent = sum(self.first.independent())
        shown = independent if needed is None else needed
        made = Plan(
            study=self.study,
            aim=self.aim.name,
            tests=self.tests,
            rates=self.rates,
            assumptions=self._assumptions(needed),
            independent=independent,
            needed=needed,
            needed_is=said(self._needed_is()),
            groups=self._groups() if needed is not None else {},
            knees=None,
            periods=None,
            periods_as_now=None,
            reached=self._most_power() if needed is None else self.aim.reached(needed),
            assurance=None if needed is None else self.aim.assurance(needed, published_of(self.study.planned_size)),
            curve=self._curve(shown),
            note=said(self._of_examiners()),
            too_few=said(self._too_few()),
            at_hand=self.rates.pairs if self.aim.name == KAPPA else self.rates.recorded,
        )
        why = self._why_not()
        if why or needed is None:
            return replace(made, note=said(why) or made.note)
        knees = math.ceil(needed / self._a_knee() - 1e-9)
        if self.aim.name in WITH_POWER:
            made = replace(made, reached_now=self.aim.reached(made.at_hand * self._a_knee()))
        if not self._pace:
            none = "No eligible «noun» came in a closed period: no time can be given."
            return replace(made, knees=knees, note=said(none))
        as_now = 1.0 if self.aim.name == KAPPA else self.rates.recorded / self.rates.mature
        periods, slower = (math.ceil(knees / (self._pace * share)) for share in (1.0, as_now))
        made = replace(made, knees=knees, periods=periods, periods_as_now=slower)
        return replace(made, could_show=said(self._could_show(made))) if made.is_too_long else made

    @property
    def first(self) -> Goal:
        """The goal that the size rests on where there is one alone."""
        return self.aim.goals[0]

    @property
    def _pace(self) -> float:
        return self.rates.pairs / self.rates.all_periods if self.aim.name == KAPPA else self.rates.a_period

    def _needed_is(self) -> str:
        if self.aim.name == KAPPA:
            return "pairs of exams"
        if len(self.aim.goals) > 1:
            return "verified «nouns»"
        side = "with" if self.first.measure == "sensitivity" else "without"
        more = {"paired": ", both tests clear", "unpaired": ", both groups together"}.get(self.aim.name, "")
        return f"verified «nouns» {side} the condition{more}"

    def _groups(self) -> dict[str, int]:
        """Knees in each of two groups; those of the goal's own side."""
        if self.aim.name != "unpaired" or len(self.aim.goals) > 1:
            return {}
        names = tuple(self.rates.groups) or ("the first group", "the second group")
        return dict(zip(names, self.first.needed() or (), strict=False))

    def _most_power(self) -> float:
        """The power that no number of knees exceeds."""
        examiners = self.first.examiners
        if examiners is None:
            return self.aim.reached(sum(self.first.independent()))
        most = examiners.most(self.first.typical(), self.first.tail, self.first.power)
        return sizes.unpaired_power(
            max(int(most), 1), *self.first.two(), self.first.tail, max(int(most * self.first.ratio), 1)
        )

    def _of_examiners(self) -> str:
        """What must be said of the examiners behind the groups."""
        examiners = self.first.examiners
        if examiners is None:
            return ""
        there = " and ".join(f"{number} ({group_words(group)})" for group, number in self.rates.examiners.items())
        return f"Examiners behind the groups, who count as clusters ({_CLUSTERS}): {there}."

    def _too_few(self) -> str:
        """That so few examiners can only be described, and how many would do; empty where they are enough."""
        examiners = self.first.examiners
        if examiners is None:
            return ""
        short = [goal for goal in self.aim.goals if goal.needed() is None]
        if short:
            least = max(examiners.least(goal.independent()[0], goal.typical(), goal.tail, goal.power) for goal in short)
            return (
                "Not feasible here: so few examiners cannot show this difference with any number of «nouns»; the "
                f"power stays at {self._most_power():.0%} or less. At least {max(ENOUGH_EXAMINERS, least)} examiners a "
                "group, or a larger difference, would make it so."
            )
        if min(self.rates.examiners.values()) < ENOUGH_EXAMINERS:
            return (
                f"Not feasible here: with fewer than {ENOUGH_EXAMINERS} examiners a group the difference is "
                f"descriptive only, whatever the number of «nouns». At least {ENOUGH_EXAMINERS} examiners a group "
                "(merged roles, as resident+fellow, or groups that pool their figures) would make it so."
            )
        return ""

    def _curve(self, shown: int) -> pl.DataFrame:
        at = np.unique(np.linspace(max(shown / 4, 2), shown * 2, _SIZES).astype(int))
        return pl.DataFrame({"in_analysis": at, "value": [self.aim.reached(int(n)) for n in at]})

    def _a_knee(self) -> float:
        """What an eligible knee adds to the analysis; one whose window is open adds it later."""
        if self.aim.name == KAPPA:
            return 1.0
        rates = self.rates
        side = self.aim.shares[0] if len(self.aim.goals) == 1 else 1.0
        return side * self._compared / sizes.Shares(self._verified, rates.clear / rates.recorded, 1, self._deff).factor

    @cached_property
    def _verified(self) -> float:
        return self.rates.verified / self.rates.mature

    @property
    def _deff(self) -> float:
        """Design effect that is not in the size yet."""
        return 1.0 if self.first.examiners is not None else _people(self.rates)

    @property
    def _compared(self) -> float:
        """Share of index exams in the groups compared; by severity, of those with the condition."""
        counts, rates = self.rates.groups.values(), self.rates
        if self.aim.name != "unpaired" or not counts:
            return 1.0
        whole = rates.present if self.study.primary[0].group_by == SEVERITY else rates.eligible
        return sum(counts) / max(whole, 1)

    def _could_show(self, made: Plan) -> str:
        """What the knees of the longest feasible time would be enough for; empty where that is nothing of use."""
        knees = max(made.longest - self.rates.delay, 1) * self._pace
        there = knees * self._a_knee()
        found = _weaker(self.aim, there)
        what = {"half_width": "a half-width", KAPPA: "a half-width", "lower_limit": "a lower limit"}.get(
            made.aim, "a difference"
        )
        if found is None:
            return ""
        value = f"{found:.2f}" if made.aim == KAPPA else f"{found:.0%}"
        planned = made.study.planned_size.numbers.get("difference" if what == "a difference" else made.aim)
        if planned is not None and value == f"{planned:.0%}":  # missed by a hair
            return ""
        unit = "pairs of exams" if made.aim == KAPPA else "eligible «nouns»"
        return f"{what} of {value}, for which the {knees:,.0f} {unit} of that time are enough"

    def _why_not(self) -> str:
        rates = self.rates
        if self.aim.name == KAPPA:
            return "" if rates.pairs else "The registry holds no pair of exams of these tests yet."
        if not rates.clear or not rates.verified:
            return "The registry holds no clear finding or no reference of this population yet."
        if not 0 < rates.present < rates.verified:
            return "All or none of the verified have the condition: the prevalence cannot be had from the registry."
        return "" if self._compared else "The registry holds no index exam of the groups compared yet."

    def _assumptions(self, needed: int | None) -> tuple[Assumption, ...]:
        """What the size rests on."""
        planned = self.study.planned_size
        stated = [Assumption(name, value, "protocol") for name, value in planned.numbers.items()]
        for goal in self.aim.goals:
            if self.aim.name == "paired" and goal.discordant is None:
                stated.append(Assumption("discordant", goal.differ(), "two tests that err independently"))
        if self.aim.name in ("lower_limit", "paired", "unpaired"):
            stated.append(Assumption("power", planned.power, "protocol"))
        stated += self._assumed_of_groups(needed)
        if self._why_not() or self.aim.name == KAPPA:
            return tuple(stated)
        rates = self.rates
        people = f"registry; correlation {CORRELATION} assumed"
        return (
            *stated,
            Assumption("prevalence among the verified", _prevalence(rates), "registry"),
            Assumption("share verified", self._verified, "registry"),
            Assumption("share of findings that are clear", rates.clear / rates.recorded, "registry"),
            Assumption("design effect of several episodes a person", _people(rates), people),
            Assumption("periods until the reference standard has come", rates.delay, "window of the protocol"),
        )

    def _assumed_of_groups(self, needed: int | None) -> list[Assumption]:
        if self.aim.name != "unpaired":
            return []
        stated = []
        if "allocation" not in self.study.planned_size.numbers:
            whence = "registry" if self.rates.groups else "equal groups"
            stated.append(Assumption("allocation", self.first.ratio, whence))
        if self.rates.groups:
            stated.append(Assumption("share of index exams in the groups compared", self._compared, "registry"))
        examiners = self.first.examiners
        if examiners is not None:
            stated.append(Assumption("standard deviation of skill among examiners, logit", SKILL, "assumed"))
            if needed is not None:
                in_first = (self.first.needed() or (0,))[0]
                effect = examiners.design_effect(in_first, self.first.typical())
                stated.append(Assumption("design effect of examiners and persons", effect, "at the planned size"))
        return stated


def _weaker(aim: Aim, knees: float) -> float | None:
    """The half-width, lower limit or difference that so many knees are enough for; None where none is."""
    goal = max(aim.goals, key=lambda one: sum(one.needed() or (0,)))
    there = knees * (aim.shares[aim.goals.index(goal)] if len(aim.goals) > 1 else 1.0)
    if there < 2:
        return None
    if aim.name in ("half_width", KAPPA):
        return goal.reached(there)
    low, high = (goal.wanted, _largest(goal)) if aim.name != "lower_limit" else (goal.wanted, 0.01)
    if not _is_met(goal, high, there):
        return None
    for _ in range(12):
        middle = (low + high) / 2
        low, high = (low, middle) if _is_met(goal, middle, there) else (middle, high)
    return high


def _largest(goal: Goal) -> float:
    """The largest difference that can be looked for."""
    return goal.expected - 0.01 if goal.aim == "unpaired" else 0.99 - goal.expected


def _is_met(goal: Goal, wanted: float, knees: float) -> bool:
    differ = None if goal.discordant is None else max(goal.discordant, wanted)
    return replace(goal, wanted=wanted, discordant=differ).reached(knees) >= goal.power

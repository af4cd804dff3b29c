"""How large a study must be and how long it takes, from its protocol and the registry's own rates."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from examtally.analytics import sample_size as planning
from examtally.analytics.comparison.examiner_clusters import ENOUGH_EXAMINERS
from examtally.contracts.study.study import Study, load_study
from examtally.errors import StudyError
from examtally.registry import Registry, open_registry
from examtally.studies.checking import needs
from examtally.studies.plan import CORRELATION, Assumption, Plan
from examtally.studies.rates import Rates, read_rates

_KAPPA = "kappa_half_width"
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
    return _Planner(study, aim, tests, read_rates(registry, study, tests)).plan()


class _Planner:
    """One plan under way; every size is computed at the tail of a two-sided interval."""

    def __init__(self, study: Study, aim: str, tests: tuple[str, ...], rates: Rates) -> None:
        self.study, self.aim, self.tests, self.rates = study, aim, tests, rates
        self.numbers = study.planned_size.numbers
        self.power = study.planned_size.power
        self.measure = study.planned_size.measure
        self.tail = study.alpha / 2

    def plan(self) -> Plan:
        """The whole plan, in the words of its joint."""
        said = self.study.contract.catalogue.noun.said
        try:
            needed, needed_is = self._needed()
        except ValueError as fault:
            raise StudyError(f"planned_size: {fault}; change the number") from None
        empty = Plan(
            *(self.study, self.aim, self.tests, self.rates, self._assumptions(), needed, said(needed_is)),
            *(None, None, None, self._reached(needed), self._curve(needed), ""),
        )
        of_examiners, is_feasible = self._of_examiners()
        why = self._why_not()
        if why or not is_feasible:
            return replace(empty, note=said(why or of_examiners))
        knees = self._to_examine(needed)
        a_period = self.rates.pairs / self.rates.all_periods if self.aim == _KAPPA else self.rates.a_period
        if not a_period:
            return replace(
                empty, knees=knees, note=said("No eligible «noun» came in a closed period: no time can be given.")
            )
        as_now = 1.0 if self.aim == _KAPPA else self.rates.recorded / self.rates.mature
        periods, slower = (math.ceil(knees / (a_period * share)) for share in (1.0, as_now))
        return replace(empty, knees=knees, periods=periods, periods_as_now=slower, note=of_examiners)

    def _needed(self) -> tuple[int, str]:
        given = self.numbers
        if self.aim == "half_width":
            size = planning.half_width(
                *(given["sensitivity"], given["specificity"], given["half_width"]), self._prevalence(), self.tail
            )
            return size.total, "verified «nouns»"
        if self.aim == "lower_limit":
            return planning.lower_limit(given[self.measure], given["lower_limit"], self.tail, self.power).stable, (
                f"verified «nouns» {self._side()} the condition"
            )
        if self.aim == "paired":
            return planning.paired(given["difference"], self._discordant(), self.tail, self.power), (
                f"verified «nouns» {self._side()} the condition, both tests clear"
            )
        if self.aim == "unpaired":
            independent = planning.unpaired(*self._two(), self.tail, self.power)
            return 2 * self._by_examiners(independent), (
                f"verified «nouns» {self._side()} the condition, half in each group"
            )
        return planning.kappa_half_width(given["kappa"], given["positive_share"], given["half_width"], self.tail), (
            "pairs of exams"
        )

    def _examiners(self) -> planning.Examiners | None:
        """The two groups of examiners that are compared; None where knees are compared."""
        counts = tuple(self.rates.examiners.values())
        is_so = self.aim == "unpaired" and len(counts) > 1 and min(counts) > 0
        return planning.Examiners(counts[0], counts[-1], SKILL) if is_so else None

    def _by_examiners(self, independent: int) -> int:
        """Knees a group with examiners as clusters; those of independent knees where no number is enough."""
        examiners = self._examiners()
        if examiners is None:
            return independent
        found = examiners.needed(independent, self._typical(), self.tail, self.power)
        return math.ceil(found) if math.isfinite(found) else independent

    def _typical(self) -> float:
        return sum(self._two()) / 2

    def _of_examiners(self) -> tuple[str, bool]:
        """What must be said of the examiners behind the groups, and whether they are enough for any size."""
        examiners = self._examiners()
        if examiners is None:
            return "", True
        independent = planning.unpaired(*self._two(), self.tail, self.power)
        there = " and ".join(f"{number} ({group})" for group, number in self.rates.examiners.items())
        said = f"Examiners behind the groups, who count as clusters ({_CLUSTERS}): {there}."
        if min(self.rates.examiners.values()) < ENOUGH_EXAMINERS:
            said += f" Descriptive only: {ENOUGH_EXAMINERS} a group are needed for more."
        if math.isfinite(examiners.needed(independent, self._typical(), self.tail, self.power)):
            return said, True
        least = max(ENOUGH_EXAMINERS, examiners.least(independent, self._typical()))
        return (
            f"{said} Not feasible here: so few examiners cannot show this difference with any number of «nouns». "
            f"At least {least} examiners a group, or a larger difference, would make it so."
        ), False

    def _side(self) -> str:
        return "with" if self.measure == "sensitivity" else "without"

    def _share_of_side(self) -> float:
        """Share of the knees that the measure speaks of."""
        return self._prevalence() if self.measure == "sensitivity" else 1 - self._prevalence()

    def _two(self) -> tuple[float, float]:
        first = self.numbers[self.measure]
        return first, first - self.numbers["difference"]

    def _discordant(self) -> float:
        given = self.numbers
        second = min(given[self.measure] + given["difference"], 0.999)
        return given.get("discordant", planning.independent_discordance(given[self.measure], second))

    def _reached(self, needed: float) -> float:
        """Power or half-width with this many in the analysis."""
        given, tail = self.numbers, self.tail
        n = max(int(needed), 2)
        if self.aim == "half_width":
            spread = given["sensitivity"] * (1 - given["sensitivity"]) / (n * self._prevalence())
            return planning.quantile(tail) * math.sqrt(spread)
        if self.aim == "lower_limit":
            return float(planning.limit_power(n, given[self.measure], given["lower_limit"], tail))
        if self.aim == "paired":
            return planning.paired_power(n, given["difference"], self._discordant(), tail)
        if self.aim == "unpaired":
            examiners, a_group = self._examiners(), max(n // 2, 1)
            if examiners is not None:
                a_group = max(int(examiners.effective(a_group, self._typical(), tail, self.power)), 1)
            return planning.unpaired_power(a_group, *self._two(), tail)
        return planning.quantile(tail) * math.sqrt(planning.kappa_variance(given["kappa"], given["positive_share"]) / n)

    def _curve(self, needed: int) -> pl.DataFrame:
        sizes = np.unique(np.linspace(max(needed / 4, 2), needed * 2, _SIZES).astype(int))
        return pl.DataFrame({"in_analysis": sizes, "value": [self._reached(int(n)) for n in sizes]})

    def _to_examine(self, needed: int) -> int:
        if self.aim == _KAPPA:
            return needed
        knees = planning.inflate(needed, self._shares())
        return knees if self.aim == "half_width" else math.ceil(knees / self._share_of_side())

    def _shares(self) -> planning.Shares:
        rates = self.rates
        return planning.Shares(
            verified=rates.verified / rates.mature,
            interpretable=rates.clear / rates.recorded,
            mature=rates.mature / rates.eligible,
            deff=self._deff(),
        )

    def _deff(self) -> float:
        return planning.design_effect(self.rates.squares, max(self.rates.in_clusters, 1), CORRELATION)

    def _prevalence(self) -> float:
        rates = self.rates
        return rates.present / rates.verified if 0 < rates.present < rates.verified else 0.5

    def _why_not(self) -> str:
        rates = self.rates
        if self.aim == _KAPPA:
            return "" if rates.pairs else "The registry holds no pair of exams of these tests yet."
        if not rates.clear or not rates.verified:
            return "The registry holds no clear finding or no reference of this population yet."
        if not 0 < rates.present < rates.verified:
            return "All or none of the verified have the condition: the prevalence cannot be had from the registry."
        return ""

    def _assumptions(self) -> tuple[Assumption, ...]:
        stated = [Assumption(name, value, "protocol") for name, value in self.numbers.items()]
        if self.aim == "paired" and "discordant" not in self.numbers:
            stated.append(Assumption("discordant", self._discordant(), "two tests that err independently"))
        if self.aim in ("lower_limit", "paired", "unpaired"):
            stated.append(Assumption("power", self.power, "protocol"))
        if self._examiners() is not None:
            stated.append(Assumption("standard deviation of skill among examiners, logit", SKILL, "assumed"))
        if self._why_not() or self.aim == _KAPPA:
            return tuple(stated)
        shares = self._shares()
        return (
            *stated,
            Assumption("prevalence among the verified", self._prevalence(), "registry"),
            Assumption("share verified", shares.verified, "registry"),
            Assumption("share of findings that are clear", shares.interpretable, "registry"),
            Assumption("share whose window has closed", shares.mature, "registry"),
            Assumption(
                "design effect of several episodes a person",
                shares.deff,
                f"registry; correlation {CORRELATION} assumed",
            ),
        )

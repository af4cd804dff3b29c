"""What a protocol says of models and charts: calibration, learning, combinations, monitoring, latent classes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Annotated

from examtally.contracts.checks import Fault
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Section
from examtally.contracts.kinds import (
    SEED,
    Between,
    Key,
    Legal,
    Number,
    Rising,
    Seed,
    Share,
    Text,
    Whole,
    nothing,
    one_of,
)
from examtally.contracts.periods import PERIOD

CHARTED = (
    *("core_complete", "probability_stated", "equivocal", "examiner_blinded", "held_back"),
    *("missed_injuries", "verified", "days_to_reference", "yield", "unsuspected_proven"),
)
"""Indicators that have a chart by period."""


@dataclass(frozen=True)
class Calibration(Section):
    """Resampling, clipping and the floor under a calibration curve."""

    bootstrap: Annotated[int, Whole(100, 20000)] = 500
    """Resamples of participants behind the bands and limits of a calibration."""
    seed: Seed = SEED
    """Seed of those resamples."""
    clip: Annotated[float, Between(0, 0.5)] = 0.005
    """Stated probabilities nearer to 0 or 1 than this are moved to it for slope and log score. They are counted, and
    left as stated for the Brier score.
    """
    min_knees: Annotated[int, Whole(5, 100000)] = 20
    """Verified «nouns» below which no calibration curve is drawn."""
    min_events: Annotated[int, Whole(1, 100000)] = 5
    """«Nouns» with the condition, and «nouns» without it, below which no calibration curve is drawn."""


@dataclass(frozen=True)
class Learning(Section):
    """The charts of learning: the two shares of failures that a chart decides between, and what a failure is."""

    p_acceptable: Share = 0.2
    """Share of a learner's findings that may differ from the outcome once the target is reached, on either side (with
    and without the condition), where the supervisors' own figures are of too few people to set the target.
    """
    p_unacceptable: Share = 0.4
    """Share of differing findings that must not pass as the target; above p_acceptable. Its distance from p_acceptable
    holds for targets set by supervisors as well.
    """
    margin: Annotated[float, Number(0, 0.3)] = 0.05
    """How much more often than the supervisors a learner may differ from the reference once the target is reached."""
    planned: Annotated[int, Whole(5, 2000)] = 60
    """Cases of one learner, maneuver, condition and side over which the chances of a signal are worked out."""
    false_signal: Annotated[float, Between(0, 0.5)] = 0.05
    """Largest chance of a false signal over the planned cases, that of a level reached and that of a level left each.
    Where a true signal is then less likely than 80 %, no limit is drawn.
    """
    outcome: Annotated[
        str,
        one_of(
            reference="whether the finding agrees with the reference, in «nouns» whose answer is known",
            supervisor="whether it agrees with a supervisor's own finding on the same «noun» and day",
            both="a chart of each",
        ),
    ] = "both"
    """What a learner's findings are held against. A supervisor is not the truth."""
    orders: Annotated[int, Whole(1, 1001)] = 101
    """Random orders of the cases within a period, since a registry does not know which came first."""
    seed: Seed = SEED
    """Seed of those orders."""

    def faults(self, _contract: Contract) -> Iterator[Fault]:
        low, high = self.p_acceptable, self.p_unacceptable
        if low >= high:
            yield Fault(
                f"the acceptable share of failures ({low:g}) is not below the unacceptable one ({high:g})",
                "write learning.p_acceptable below learning.p_unacceptable",
                "p_unacceptable" if low == Learning.p_acceptable else "p_acceptable",
            )


@dataclass(frozen=True)
class Modelling(Section):
    """Sizes, folds, resamples, penalties, floors and thresholds; the `seconds` of timed maneuvers."""

    max_combined: Annotated[int, Whole(2, 4)] = 3
    """Most maneuvers that are counted together as one test (any of them, all of them)."""
    max_pattern: Annotated[int, Whole(2, 5)] = 3
    """How many maneuvers of a condition make up a pattern; core ones first, then those done most."""
    folds: Annotated[int, Whole(3, 20)] = 5
    """Parts the people are dealt into; each part is forecast by a model that has not seen its people."""
    inner_folds: Annotated[int, Whole(3, 20)] = 4
    """Parts the remaining people are dealt into, to choose the penalty of that model."""
    bootstrap: Annotated[int, Whole(50, 5000)] = 100
    """Resamples of people on which each model is fitted again to see how much it flatters itself."""
    resamples: Annotated[int, Whole(100, 20000)] = 500
    """Resamples of people in which the sets of the short exam are compared."""
    seed: Seed = SEED
    """Seed of the folds and resamples of models and short exam."""
    penalties: Rising[Annotated[float, Between(0, 100000)]] = (0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0)
    """Penalties tried on standardised coefficients, each the precision of a normal prior about 0; the inner parts
    choose.
    """
    min_events: Annotated[int, Whole(10, 100000)] = 20
    """People with «a noun» that has the condition, and with one that has not, below which no model, short exam or
    decision curve is made.
    """
    candidates: Annotated[
        str,
        one_of(
            own="the maneuvers that speak of the condition",
            diagnostic="every diagnostic maneuver of the catalogue",
        ),
    ] = "own"
    """The maneuvers that a model and a short exam may use."""
    max_size: Annotated[int, Whole(1, 10)] = 6
    """Most maneuvers of a short exam."""
    thresholds: Rising[Share] = (0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5)
    """Probabilities of the condition from which one would want an image, for decision curves."""
    seconds: Annotated[
        Mapping[Annotated[str, Key("a maneuver", "maneuvers")], Annotated[int, Whole(1, 3600)]],
        Legal("for each maneuver by name, a whole number from 1 to 3600"),
    ] = field(default_factory=nothing)
    """Seconds each maneuver takes, by name, where the group has timed it. Used only to say how long a short exam takes.
    """


@dataclass(frozen=True)
class Monitoring(Section):
    """When a stated probability calls a condition likely or unlikely, how charts begin and how seldom they cry wolf."""

    likely: Share = 0.5
    """Probability stated after the exam from which a condition counts as suspected in the monthly figures. Where none
    is stated, a positive finding of any of its maneuvers is a suspicion.
    """
    unlikely: Share = 0.1
    """Probability stated after the exam below which a condition counts as called unlikely; proven later, it is a missed
    injury.
    """
    baseline_from: Annotated[
        Mapping[Annotated[str, Key("an indicator", dict.fromkeys(CHARTED, ""))], Annotated[str, Text(PERIOD)]],
        Legal("for each indicator with a chart, by its code, a period as 2026-03 or P012"),
    ] = field(default_factory=nothing)
    """For a chart by period whose usual value has changed for good, as a committee decided: the period from which its
    twelve baseline periods count. Earlier periods are then shown without limits.
    """
    false_signals_a_year: Annotated[float, Between(0, 0.5)] = 0.05
    """Chance that the monthly page of a clinic in which nothing changes shows any signal within twelve periods, all its
    charts together.
    """

    def faults(self, _contract: Contract) -> Iterator[Fault]:
        if self.unlikely >= self.likely:
            at = "likely" if self.unlikely == Monitoring.unlikely else "unlikely"
            problem = f"unlikely ({self.unlikely:g}) is not below likely ({self.likely:g})"
            yield Fault(problem, "write monitoring.unlikely below monitoring.likely", at)


@dataclass(frozen=True)
class LatentClass(Section):
    """Beta(a, b) beliefs about finding and prevalence, the weight of published accuracy, populations and chains."""

    finding_a: Annotated[float, Between(0, 10000)] = 1.0
    """Two tests without a reference: what is believed beforehand of a maneuver's sensitivity and specificity, a Beta(a,
    b), as if a «nouns» had been right and b wrong. 1 and 1 say nothing.
    """
    finding_b: Annotated[float, Between(0, 10000)] = 1.0
    """The second number of that belief."""
    prevalence_a: Annotated[float, Between(0, 10000)] = 1.0
    """What is believed beforehand of the prevalence, a Beta(a, b)."""
    prevalence_b: Annotated[float, Between(0, 10000)] = 1.0
    """The second number of that belief."""
    published_weight: Annotated[float, Between(0, 10)] = 1.0
    """Weight of the published accuracy of the reference as a belief: 1 as wide as its interval, 0.5 as if from half as
    many «nouns».
    """
    populations: Annotated[
        str,
        one_of(
            none="no two populations",
            setting="where the exam took place",
            acuity="days since onset",
            sex="sex of the participant",
            age_band="age of the participant",
        ),
    ] = "acuity"
    """Grouping whose two largest groups are the two populations of Hui and Walter. Prevalence must differ between them,
    accuracy must not.
    """
    chains: Annotated[int, Whole(2, 16)] = 4
    """Chains of the latent class model."""
    draws: Annotated[int, Whole(200, 100000)] = 3000
    """Draws of each chain, after a quarter as many that are thrown away. Chains that have not met are run once more,
    four times as long.
    """
    seed: Seed = SEED
    """Seed of those draws."""


TOO_WIDE = 3.0
"""How many times the near limit of a likelihood ratio its far one may be, for a weak effect to be told as one."""


@dataclass(frozen=True)
class BiasAdjusted(Section):
    """The leading estimate: the shift of «nouns» never imaged, the seed of its draws, and the words for its ratios."""

    delta_mean: Annotated[float, Between(-5, 5)] = -0.3
    """What nobody wrote down: how much less (or more) often «nouns» that were never imaged or operated on have a
    condition than their record suggests, as a shift of the log odds. The data cannot tell it.
    """
    delta_spread: Annotated[float, Between(0, 5)] = 0.4
    """How sure one is of that shift, a standard deviation."""
    seed: Seed = SEED
    """Seed of the draws behind the leading estimate."""
    rules_in: Annotated[float, Between(1, 1000)] = 10.0
    """A positive finding rules in where the lower limit of its likelihood ratio is at least this."""
    rules_out: Annotated[float, Between(0, 1)] = 0.1
    """A negative finding rules out where the upper limit of its likelihood ratio is at most this."""
    helps: Annotated[float, Between(1, 1000)] = 2.0
    """A finding helps where the near limit of its likelihood ratio is at least this (a negative one: at most its
    inverse) and is no help where the far limit stays nearer to 1 than this. In between its effect is weak where the
    limits leave out 1 and lie within threefold of each other, else it is too early to say.
    """

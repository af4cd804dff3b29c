"""Who has the condition: one model a condition, for all its maneuvers at once.

The status of every mature index exam is latent. A logistic model foretells it from the exam, the history and what
other hands found; readings err at rates of their own, held by published accuracy; surgery is the truth. Who is imaged
depends on what the model holds, who is operated on also on the readings, so that both drop out. What nobody wrote down
shifts the log odds of knees never imaged by delta, of which the data tell nothing.

Later steps build on `BiasModels`, by condition:

- `draws.chance`: the weight q = P(condition | data) of every knee, for calibration, decision curves, missed injuries;
  `draws.rows` says which rows of the verification frame the knees are
- `draws.sums(values)`: sums of anything over knees with and without the condition, draw by draw. Shares, differences
  between maneuvers or between examiners are plain ratios of such sums: the draws of one condition, and of two
  conditions of one analysis, belong together
- `figures.measures` of such sums: draws of every measure of accuracy; `figures.summary`: median and limits

Sources: Lu Y, Dendukuri N, Schiller I, Joseph L. Stat Med 2010;29:2532–2543; de Groot JAH et al. Epidemiology
2011;22:234–241.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit
from scipy.stats import norm

from examtally.analytics.bias_adjusted.density import StatusLikelihood, read_columns, reading_chances
from examtally.analytics.bias_adjusted.draws import BLOCK, StatusDraws, composite, pack
from examtally.analytics.bias_adjusted.knees import StatusKnees, StatusRecords, condition_knees
from examtally.analytics.bias_adjusted.sampler import CHAINS, sample
from examtally.analytics.bias_adjusted.terms import INTERCEPT
from examtally.analytics.intervals import FloatArray
from examtally.analytics.logistic import fast_expit
from examtally.contracts.catalogue.clinical import AssumedAccuracy, Condition
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.processes import one_thread

MEASURES = ("sensitivity", "specificity")
_GENERIC = AssumedAccuracy(sensitivity=0.88, specificity=0.94, logit_sd=0.5)  # where a catalogue has none of its own
ANOTHER_PLACE = 1.5  # a published interval speaks of other scanners and readers
_WIDTH = 2 * norm.ppf(0.975)
_EDGE = 0.005


@dataclass(frozen=True)
class AccuracyPrior:
    """Normal prior of the logit of one measure of one modality; `is_assumed` where nothing is published."""

    modality: str
    measure: str
    mean: float
    spread: float
    is_assumed: bool

    def quantile(self, share: float) -> float:
        """The accuracy below which this share of the prior lies."""
        return float(expit(self.mean + self.spread * norm.ppf(share)))


def accuracy_priors(
    condition: Condition, modalities: tuple[str, ...], generic: AssumedAccuracy | None
) -> tuple[AccuracyPrior, ...]:
    """Priors of the sensitivities of `modalities`, then of their specificities.

    The first published row of a modality counts; its 95 % interval is widened by half for another place. A value
    without an interval has the spread of `generic`, a value of 0 or 1 gives way to the middle of its interval.
    """
    generic = generic or _GENERIC
    return tuple(_prior(condition, modality, measure, generic) for measure in MEASURES for modality in modalities)


def _prior(condition: Condition, modality: str, measure: str, generic: AssumedAccuracy) -> AccuracyPrior:
    published = next((row for row in condition.reference_accuracy if row.modality == modality), None)
    value = getattr(published or generic, measure)
    mean, spread = _logit(value), generic.logit_sd
    if published is None:
        return AccuracyPrior(modality, measure, mean, spread, is_assumed=True)
    low, high = getattr(published, f"{measure}_low"), getattr(published, f"{measure}_high")
    if low is not None and high is not None:
        spread = ANOTHER_PLACE * (_logit(high) - _logit(low)) / _WIDTH
        mean = mean if 0 < value < 1 else (_logit(high) + _logit(low)) / 2
    return AccuracyPrior(modality, measure, mean, spread, is_assumed=False)


def _logit(value: float) -> float:
    return float(logit(min(max(value, _EDGE), 1 - _EDGE)))


FEWEST_READINGS = 10
_MOST_DRAWS, _FEWEST_DRAWS = 1600, 200
_ENOUGH = 20_000_000  # exams times draws: the more knees, the narrower the posterior
_DOUBLE: np.dtype[Any] = np.dtype(np.float64)
_SINGLE: np.dtype[Any] = np.dtype(np.float32)  # precise enough for the chance of one knee
_FEWEST_KEPT = 40  # draws of a chain, by which it is judged whether the chains have met
_ONE_OF = 16  # draws gives the figures at another delta
_WEIGHTY = 0.1
_ALLOWED_FOR = 0.8  # share of the belief beforehand within what is allowed for


@dataclass(frozen=True)
class ConditionModel:
    """One condition: its knees, what was believed of its references, and draws.

    `parameters` (p, draws) in the order of the likelihood, `delta` (draws,); `r_hat` the largest of all parameters,
    `ess` the smallest number of independent draws. A condition derived from others has `parts` and no parameters.
    """

    knees: StatusKnees
    priors: tuple[AccuracyPrior, ...]
    parameters: FloatArray
    delta: FloatArray
    r_hat: float
    ess: float
    draws: StatusDraws
    parts: tuple[ConditionModel, ...] = ()

    @cached_property
    def is_assumed(self) -> bool:
        """Whether a tenth of the readings or more rests on a modality of which nothing is published."""
        read = self._readings
        assumed = {prior.modality for prior in self.priors if prior.is_assumed}
        return sum(n for modality, n in read.items() if modality in assumed) >= _WEIGHTY * sum(read.values()) > 0

    @cached_property
    def present_share(self) -> float:
        """Share of the erring readings, or of the known statuses where nothing errs, that say present."""
        reads = self.knees.reads if self.knees.modalities else self.knees.truth
        return float(np.nanmean(reads))

    @property
    def false_alarms(self) -> float:
        """Share of readings that would say present if no knee had the condition.

        The posterior mean where some knees were also settled by what is taken as true. Where none were the readings
        cannot tell their own false alarms from true ones, and what the belief beforehand still allows for stands.
        """
        read = self._readings
        if not read:
            return 0.0
        is_learned = (self.knees.is_known & self.knees.is_read).sum() >= FEWEST_READINGS
        right = {p.modality: p.quantile(1 - _ALLOWED_FOR) for p in self.priors if p.measure == "specificity"}
        if is_learned:
            right = {modality: float(self.accuracy(modality, "specificity").mean()) for modality in read}
        return sum(n * (1 - right[modality]) for modality, n in read.items()) / sum(read.values())

    @cached_property
    def _readings(self) -> Mapping[str, int]:
        """Readings of each erring modality."""
        counts = (~np.isnan(self.knees.reads)).sum(axis=0).tolist()
        return dict(zip(self.knees.modalities, counts, strict=True))

    def accuracy(self, modality: str, measure: str) -> FloatArray:
        """Draws of a modality's sensitivity or specificity, (draws,)."""
        names = [(prior.modality, prior.measure) for prior in self.priors]
        at = self.parameters.shape[0] - len(names) + names.index((modality, measure))
        return np.asarray(expit(self.parameters[at]))


@dataclass(frozen=True)
class BiasModels:
    """Models by condition; `unfitted` has the knees of conditions of which too little was read, too."""

    fitted: Mapping[str, ConditionModel]
    unfitted: Mapping[str, StatusKnees]


def bias_models(records: StatusRecords, contract: Contract, protocol: Protocol) -> BiasModels:
    """Fit every condition that something settles; the same records and protocol give the same draws.

    Conditions with fewer than 10 knees called present, or called absent, are left unfitted. A condition derived from
    others follows from the draws of its parts, and is unfitted where one of them is.
    """
    chosen, generic = protocol.bias_adjusted, contract.catalogue.generic_reference_accuracy
    draws = int(np.clip(_ENOUGH // max(records.exams.height, 1), _FEWEST_DRAWS, _MOST_DRAWS))
    fitted: dict[str, ConditionModel] = {}
    unfitted: dict[str, StatusKnees] = {}
    conditions = [c for code, c in contract.catalogue.conditions.items() if code in protocol.reference.accepted]
    with one_thread():
        for condition in sorted(conditions, key=lambda c: bool(c.derived_from)):
            knees = condition_knees(records, condition.code, contract, protocol)
            parts = [fitted[part] for part in condition.derived_from if part in fitted]
            if condition.derived_from and len(parts) == len(condition.derived_from):
                fitted[condition.code] = _of_parts(knees, parts)
            elif condition.derived_from or min(knees.said) < FEWEST_READINGS:
                unfitted[condition.code] = knees
            else:
                priors = accuracy_priors(condition, knees.modalities, generic)
                fitted[condition.code] = fit(knees, priors, draws, chosen.seed, chosen.delta_mean, chosen.delta_spread)
    return BiasModels(fitted, unfitted)


def likelihood(knees: StatusKnees, priors: tuple[AccuracyPrior, ...]) -> StatusLikelihood:
    """What tells of the parameters of a condition."""
    is_telling, terms = knees.is_telling, knees.terms
    return StatusLikelihood(
        design=_design(knees, _DOUBLE)[is_telling],
        truth=knees.truth[is_telling],
        reads=knees.reads[is_telling],
        mean=np.r_[INTERCEPT[0], terms.mean, [prior.mean for prior in priors]],
        spread=np.r_[INTERCEPT[1], terms.spread, [prior.spread for prior in priors]],
        is_weak=np.r_[False, terms.is_weak, np.zeros(len(priors), bool)],
    )


def fit(
    knees: StatusKnees,
    priors: tuple[AccuracyPrior, ...],
    draws: int,
    seed: int,
    delta_mean: float,
    delta_spread: float,
) -> ConditionModel:
    """Draw parameters, delta and statuses of one condition."""
    own = zlib.crc32(knees.condition.encode())
    found = sample(likelihood(knees, priors), [seed, own, 1], kept=max(_FEWEST_KEPT, -(-draws // CHAINS)))
    every = found.parameters.reshape(-1, found.parameters.shape[2])
    parameters = every[np.linspace(0, every.shape[0] - 1, draws).astype(np.int64)].T
    rng = np.random.default_rng([seed, own, 2])
    delta = rng.normal(delta_mean, delta_spread, draws)
    statuses = np.empty((knees.rows.size, draws), bool)
    chance = np.zeros(knees.rows.size)
    for first in range(0, draws, BLOCK):
        at = slice(first, min(first + BLOCK, draws))
        each = status_chance(knees, parameters[:, at], delta[at])
        statuses[:, at] = rng.random(each.shape, dtype=np.float32) < each
        chance += each.sum(axis=1, dtype=np.float64)
    drawn = StatusDraws(knees.rows, knees.participants, pack(statuses), chance / draws, draws, seed)
    return ConditionModel(knees, priors, parameters, delta, found.r_hat, found.ess, drawn)


def status_chance(knees: StatusKnees, parameters: FloatArray, delta: FloatArray) -> FloatArray:
    """P(condition | data) of every knee at each draw of parameters (p, b) and delta (b,), shape (n, b), to 1e-6."""
    k, m = knees.terms.columns.shape[1] + 1, len(knees.modalities)
    drawn = parameters.astype(_SINGLE)
    reads = read_columns(knees.reads).astype(_SINGLE)
    present, absent = reading_chances(reads, drawn[k : k + m], drawn[k + m :])
    linear = _design(knees, _SINGLE) @ drawn[:k]
    linear += present
    linear -= absent
    linear[~knees.is_verified] += delta.astype(_SINGLE)
    chance = fast_expit(linear)
    is_known = knees.is_known
    chance[is_known] = knees.truth[is_known, None]
    return np.asarray(chance)


def chance_at(model: ConditionModel, delta: float) -> FloatArray:
    """P(condition | data) of every knee, (n,), if `delta` were known to be this; from every sixteenth draw."""
    if model.parts:
        rows = model.knees.rows
        each = [chance_at(part, delta)[np.searchsorted(part.knees.rows, rows)] for part in model.parts]
        return np.asarray(1 - np.prod([1 - chance for chance in each], axis=0))
    chosen = model.parameters[:, ::_ONE_OF]
    return np.asarray(
        status_chance(model.knees, chosen, np.full(chosen.shape[1], delta)).mean(axis=1, dtype=np.float64)
    )


def chances(model: ConditionModel, at: npt.NDArray[np.integer]) -> FloatArray:
    """P(condition | data) of every knee at some of the draws of parameters and delta, (n, draws)."""
    if model.parts:
        rows = model.knees.rows
        each = [chances(part, at)[np.searchsorted(part.knees.rows, rows)] for part in model.parts]
        return np.asarray(1 - np.prod([1 - chance for chance in each], axis=0))
    return status_chance(model.knees, model.parameters[:, at], model.delta[at])


def _design(knees: StatusKnees, kind: np.dtype[Any]) -> FloatArray:
    design: FloatArray = np.ones((knees.rows.size, 1 + knees.terms.columns.shape[1]), kind)
    design[:, 1:] = knees.terms.columns
    return design


def _of_parts(knees: StatusKnees, parts: list[ConditionModel]) -> ConditionModel:
    drawn = composite([part.draws for part in parts], knees.rows, knees.participants)
    return ConditionModel(
        knees=knees,
        priors=(),
        parameters=np.empty((0, drawn.draws)),
        delta=np.empty(0),
        r_hat=max(part.r_hat for part in parts),
        ess=min(part.ess for part in parts),
        draws=drawn,
        parts=tuple(parts),
    )

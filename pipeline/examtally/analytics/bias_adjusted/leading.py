"""The leading estimate: which figures may be shown, in which words, and why others are withheld."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import logit

from examtally.analytics.bias_adjusted.figures import Summary, measures, post_test, summaries
from examtally.analytics.bias_adjusted.knees import StatusKnees
from examtally.analytics.bias_adjusted.model import FEWEST_READINGS, BiasModels, ConditionModel, chance_at
from examtally.analytics.bias_adjusted.sampler import MET
from examtally.analytics.bias_adjusted.tabulate import FEWEST, OVERALL, Members, members, tabulate
from examtally.analytics.intervals import FloatArray
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.models import TOO_WIDE, BiasAdjusted
from examtally.contracts.protocol.protocol import Protocol

OTHER_DELTAS = {"as_recorded": 0.0, "far_less": -0.8}
_WIDEST = 0.6
_FALSE_ALARMS = 1.5  # as many readings present, for each false alarm expected, say nothing of those with the condition
_RARER = 0.75  # as many knees with the condition, for each false alarm expected among as many without it, likewise
_SIDES: Mapping[str, tuple[str, ...]] = {
    "sensitivity": ("sensitivity",),
    "specificity": ("specificity",),
    "prevalence": ("sensitivity",),
}
TOO_RARE = "Too rare here for tests that err this often; most positive readings would be false alarms."
_UNSURE = 0.25  # chance that fewer knees than are asked have the condition, above which it is too likely
_NOTHING = Summary(None, None, None)
_EDGE = 1e-3  # shares further out are taken as this far from 0 or 1 where their logit is asked for


@dataclass(frozen=True)
class LogitCovariance:
    """Covariance (2, 2) of the logits of sensitivity and specificity, and the part of it that all groups share.

    The shared part stems from what is taken for granted of the reference tests: the more these knees tell of their
    errors, the smaller it is.
    """

    whole: FloatArray
    shared: FloatArray


@dataclass(frozen=True)
class Leading:
    """One maneuver in one group: summaries by measure, and why sensitivity or specificity is withheld.

    `figures` holds every measure of accuracy and `post_positive`, `post_negative`; a withheld one has no values.
    `other_deltas` has, overall, what sensitivity and specificity would be at two other values of delta, by column name.
    `covariance` is that of the logits of both, overall, None where one is withheld.
    """

    condition: str
    members: Members
    figures: Mapping[str, Summary]
    withheld: Mapping[str, str]
    is_assumed: bool
    is_clinical: bool
    reference: str
    other_deltas: Mapping[str, float]
    covariance: LogitCovariance | None = None

    @property
    def basis(self) -> str:
        """Whether any of the two figures can be shown."""
        return "withheld" if len(self.withheld) == len(("sensitivity", "specificity")) else "bias_adjusted"

    @property
    def reason(self) -> str | None:
        """Why figures are withheld, in one sentence each."""
        return " ".join(dict.fromkeys(self.withheld.values())) or None


def leading_estimates(
    models: BiasModels, group_bys: tuple[str, ...], contract: Contract, protocol: Protocol
) -> Iterator[Leading]:
    """The leading estimate of every pair that something settles, overall and by group."""
    for code in contract.catalogue.conditions:
        maneuvers = tuple(m for condition, m in contract.catalogue.pairs if condition == code)
        if code in models.unfitted:
            knees = models.unfitted[code]
            why = _too_little_read(knees, contract)
            for each in members(knees, maneuvers, group_bys, None):
                withheld = dict.fromkeys(("sensitivity", "specificity"), why)
                yield Leading(code, each, {}, withheld, False, protocol.is_clinical(code), reference_of(knees), {})
        elif code in models.fitted:
            yield from _fitted(models.fitted[code], maneuvers, group_bys, contract, protocol)


def reference_of(knees: StatusKnees) -> str:
    """Codes of the tests that read these knees and err, with commas between."""
    return ", ".join(knees.modalities)


def verdict(positive: Summary, negative: Summary, words: BiasAdjusted) -> tuple[str | None, str | None]:
    """What a positive and a negative finding do to the odds, by the limits of their likelihood ratios."""
    return (
        _verdict(positive.low, positive.high, words.rules_in, words.helps, "rules_in"),
        _verdict(_inverse(negative.high), _inverse(negative.low), 1 / words.rules_out, words.helps, "rules_out"),
    )


def _inverse(value: float | None) -> float | None:
    if value is None:
        return None
    return 1 / value if value > 0 else np.inf


def _verdict(near: float | None, far: float | None, settles: float, helps: float, word: str) -> str | None:
    if near is None:
        return None
    if near >= settles:
        return word
    if near >= helps:
        return "helps"
    if far is not None and far < helps:
        return "no_help"
    return "weak" if near > 1 and far is not None and far <= TOO_WIDE * near else "too_early"


def logit_covariance(model: ConditionModel, sensitivity: FloatArray, specificity: FloatArray) -> LogitCovariance:
    """Covariance for draws of both figures of one maneuver, (draws,) each.

    The shared part regresses the figures on the logit accuracies of the reference tests, and takes of each as much of
    its variance as the data have left of that believed beforehand.
    """
    known, left = _references(model)
    logits = logit(np.clip(np.array([sensitivity, specificity]), _EDGE, 1 - _EDGE))
    whole, shared = np.cov(logits), np.zeros((2, 2))
    if known.size:
        centred = known - known.mean(axis=1, keepdims=True)
        slope = np.linalg.lstsq(centred.T, (logits - logits.mean(axis=1, keepdims=True)).T, rcond=None)[0].T
        shared = (slope * (left * known.var(axis=1))) @ slope.T
    return LogitCovariance(whole, shared)


def _references(model: ConditionModel) -> tuple[FloatArray, FloatArray]:
    """Draws (q, draws) of the logit accuracies of all tests that err, and the share of each's variance that is left."""
    parts = [part for part in model.parts or (model,) if part.priors]
    if not parts:
        return np.empty((0, 0)), np.empty(0)
    draws = min(part.parameters.shape[1] for part in parts)
    known = np.concatenate([part.parameters[-len(part.priors) :, :draws] for part in parts])
    before = np.array([prior.spread**2 for part in parts for prior in part.priors])
    return known, np.minimum(known.var(axis=1) / before, 1.0)


def _fitted(
    model: ConditionModel,
    maneuvers: tuple[str, ...],
    group_bys: tuple[str, ...],
    contract: Contract,
    protocol: Protocol,
) -> Iterator[Leading]:
    condition = model.knees.condition
    everyone = list(members(model.knees, maneuvers, group_bys, model.draws.chance))
    prevalence = protocol.predictive_values.prevalence.get(condition)
    chosen = [each for each in everyone if each.is_enough]
    drawn = measures(tabulate(model.draws, chosen), prevalence)
    before = drawn["prevalence"] if prevalence is None else np.full_like(drawn["prevalence"], prevalence)
    drawn = {
        **drawn,
        "pre_test": before,
        "post_positive": post_test(before, drawn["lr_positive"]),
        "post_negative": post_test(before, drawn["lr_negative"]),
    }
    summed = {name: summaries(values, protocol.intervals.level) for name, values in drawn.items()}
    places = iter(range(len(chosen)))
    whole = held_back(model, contract)
    others = _OtherDeltas(model)
    for each in everyone:
        place = next(places) if each.is_enough else None
        figures = {} if place is None else {name: values[place] for name, values in summed.items()}
        withheld = withheld_of(each, figures, None if place is None else drawn["prevalence"][place], whole)
        shown = {name: _NOTHING if needs(name) & withheld.keys() else one for name, one in figures.items()}
        is_assumed, is_clinical = rests_on_assumptions(model), protocol.is_clinical(condition)
        other = {name: value for name, value in others(each, figures).items() if name.split("_")[0] not in withheld}
        covariance = None
        if each.group_by == OVERALL and place is not None and not withheld:
            covariance = logit_covariance(model, drawn["sensitivity"][place], drawn["specificity"][place])
        reference = reference_of(model.knees)
        yield Leading(condition, each, shown, withheld, is_assumed, is_clinical, reference, other, covariance)


class _OtherDeltas:
    """Sensitivity and specificity if knees never imaged were as often ill as recorded, or far less often."""

    def __init__(self, model: ConditionModel) -> None:
        self._usual = model.draws.chance
        self._others = {name: chance_at(model, delta) for name, delta in OTHER_DELTAS.items()}

    def __call__(self, each: Members, figures: Mapping[str, Summary]) -> dict[str, float]:
        """By column of the table `leading`, for everybody together; the leading figure moved by the difference."""
        if each.group_by != OVERALL or not figures:
            return {}
        made = {}
        for measure in ("sensitivity", "specificity"):
            usual, figure = self._share(self._usual, each, measure), figures[measure].estimate
            for name, chance in self._others.items():
                if figure is not None:
                    moved = figure + self._share(chance, each, measure) - usual
                    made[f"{measure}_{name}"] = min(max(moved, 0.0), 1.0)
        return made

    @staticmethod
    def _share(chance: FloatArray, each: Members, measure: str) -> float:
        """Expected share of right findings on one side."""
        with_it, right = chance[each.places], each.is_positive
        if measure == "specificity":
            with_it, right = 1 - with_it, ~right
        return float(with_it @ right / with_it.sum())


def rests_on_assumptions(model: ConditionModel) -> bool:
    """Whether the readings of a condition, or of any of its parts, rest on accuracy of which nothing is published."""
    return any(part.is_assumed for part in model.parts or (model,))


def standing(model: ConditionModel, protocol: Protocol) -> str | None:
    """The flag of a figure of this condition that is shown."""
    if protocol.is_clinical(model.knees.condition):
        return "clinical_reference"
    return "assumed_reference" if rests_on_assumptions(model) else None


def needs(measure: str) -> frozenset[str]:
    """The figures without which a measure cannot be shown."""
    return frozenset(_SIDES.get(measure, ("sensitivity", "specificity")))


def held_back(model: ConditionModel, contract: Contract) -> dict[str, str]:
    """What holds back figures of a whole condition; of one derived from others, what holds back any part."""
    if model.parts:
        found = [held_back(part, contract) for part in reversed(model.parts)]
        return {measure: why for each in found for measure, why in each.items()}
    name = contract.catalogue.conditions[model.knees.condition].name
    if model.r_hat > MET:
        return dict.fromkeys(("sensitivity", "specificity"), f"{name}: the chains of the model do not agree.")
    share, alarms = model.present_share, model.false_alarms
    if share <= _FALSE_ALARMS * alarms or model.draws.chance.mean() <= _RARER * alarms:
        return {"sensitivity": TOO_RARE}
    return {}


def withheld_of(
    each: Members, figures: Mapping[str, Summary], prevalence: FloatArray | None, whole: Mapping[str, str]
) -> dict[str, str]:
    """Why sensitivity or specificity of one maneuver is withheld, `whole` being what holds back its condition.

    `prevalence` (draws,) is that among these knees, None where too few are expected for any figure. A rare condition is
    held back while the data leave it likely that fewer have it than are asked, whatever the mean says.
    """
    withheld = {}
    sides = {"sensitivity": (0, "with"), "specificity": (1, "without")}
    for measure, (side, word) in sides.items():
        expected = each.expected[side] if each.expected else 0.0
        surely = 0.0 if prevalence is None else _surely(prevalence if side == 0 else 1 - prevalence, each)
        if measure in whole:
            withheld[measure] = whole[measure]
        elif each.verified < FEWEST_READINGS:
            withheld[measure] = f"Only {each.verified} of these «nouns» were imaged or operated on."
        elif expected < FEWEST:
            withheld[measure] = (
                f"About {expected:.0f} «nouns» {word} the condition are expected here; at least {FEWEST} are required."
            )
        elif surely < FEWEST:
            withheld[measure] = (
                f"About {expected:.0f} «nouns» {word} the condition are expected here, and it may well be fewer than "
                f"{FEWEST}."
            )
        elif (width := _width(figures[measure])) > _WIDEST:
            withheld[measure] = f"The interval of {measure} would be {100 * width:.0f} points wide."
    return withheld


def _surely(share: FloatArray, each: Members) -> float:
    """Knees on one side that there are at least, but for the chance of being wrong that is allowed."""
    return float(np.quantile(share, _UNSURE)) * each.places.size


def _width(figure: Summary) -> float:
    return 1.0 if figure.low is None or figure.high is None else figure.high - figure.low


def _too_little_read(knees: StatusKnees, contract: Contract) -> str:
    present, absent = knees.said
    name = contract.catalogue.conditions[knees.condition].name
    return (
        f"{name}: of «nouns» with a reading, {present} had it and {absent} did not; at least {FEWEST_READINGS} of "
        "either kind are required."
    )

"""What is believed beforehand of a reference test that errs: published accuracy, or a generic guess that is flagged."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import expit, logit
from scipy.stats import norm

from examtally.contracts.catalogue.clinical import AssumedAccuracy, Condition

MEASURES = ("sensitivity", "specificity")
_GENERIC = AssumedAccuracy(sensitivity=0.88, specificity=0.94, logit_sd=0.5)  # where a catalogue has none of its own
_ANOTHER_PLACE = 1.5  # a published interval speaks of other scanners and readers
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
        spread = _ANOTHER_PLACE * (_logit(high) - _logit(low)) / _WIDTH
        mean = mean if 0 < value < 1 else (_logit(high) + _logit(low)) / 2
    return AccuracyPrior(modality, measure, mean, spread, is_assumed=False)


def _logit(value: float) -> float:
    return float(logit(min(max(value, _EDGE), 1 - _EDGE)))

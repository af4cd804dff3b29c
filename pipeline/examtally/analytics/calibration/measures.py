"""How well one set of stated probabilities agrees with what was true: nine measures with their limits."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from sklearn.metrics import brier_score_loss, log_loss, roc_auc_score

from examtally.analytics.calibration.forecasts import Counts, Forecasts
from examtally.analytics.calibration.recalibration import (
    calibration_in_the_large,
    joint_model,
    logit,
    recalibrate,
    separation,
)
from examtally.analytics.calibration.reliability import decompose, isotonic
from examtally.analytics.calibration.resampling import (
    bootstrap,
    calibrated,
    percentile_limits,
    residual_correlation,
)
from examtally.analytics.calibration.scores import auc, logarithmic
from examtally.analytics.calibration.spline import SplineBasis, integrated_calibration_index
from examtally.analytics.intervals import FloatArray

MEASURES = (
    "brier",
    "miscalibration",
    "discrimination",
    "uncertainty",
    "intercept",
    "slope",
    "ici",
    "auc",
    "log_score",
)
_REFLECTED = ("miscalibration", "discrimination")
_CLIPPED = ("intercept", "slope", "ici", "log_score")
_NEED_TWO_FORECASTS = ("slope", "ici", "auc")
_NEED_BOTH_OUTCOMES = ("discrimination", "uncertainty", "intercept", *_NEED_TWO_FORECASTS)


@dataclass(frozen=True)
class Resampling:
    """How limits are made: number of resamples, seed (one or several integers), level, and the clip of log-odds."""

    draws: int = 500
    seed: int | tuple[int, ...] = 0
    level: float = 0.95
    clip: float = 0.005


@dataclass(frozen=True)
class Measure:
    """One measure: None where it, a limit or the value expected by chance cannot be given; the note says why."""

    name: str
    estimate: float | None
    low: float | None
    high: float | None
    expected_by_chance: float | None
    note: str


@dataclass(frozen=True)
class Resamples:
    """One set of forecasts, its bootstrap samples, and outcomes redrawn as if every forecast were right.

    `basis` is None where the forecasts take one value only.
    """

    forecasts: Forecasts
    counts: Counts
    bootstrap: Counts
    calibrated: Counts
    basis: SplineBasis | None
    how: Resampling

    @cached_property
    def smooth(self) -> FloatArray | None:
        """Coefficients of the smooth curve in every bootstrap sample, fitted once for curve and index."""
        return None if self.basis is None else self.basis.fit(self.bootstrap)

    @classmethod
    def of(cls, forecasts: Forecasts, how: Resampling) -> Resamples:
        """Draw both kinds of resample from one seeded generator; `forecasts` holds at least one row."""
        rng = np.random.default_rng(how.seed)
        counts = forecasts.counts
        drawn = bootstrap(forecasts, how.draws, rng)
        fitted = isotonic(counts)[np.searchsorted(forecasts.values, forecasts.probability)]
        redrawn = calibrated(forecasts, residual_correlation(forecasts, fitted), how.draws, rng)
        distinct = np.unique(logit(forecasts.values, how.clip)).size
        basis = SplineBasis.of(counts, how.clip) if distinct > 1 else None
        return cls(forecasts, counts, drawn, redrawn, basis, how)


def measure_all(resamples: Resamples) -> tuple[Measure, ...]:
    """Return the nine measures of one set of forecasts, in the order of `MEASURES`.

    Limits come from resampling participants: percentiles, except that
    - miscalibration and discrimination, which the isotonic fit inflates in a resample as much as in the sample, are
      reflected about the estimate (2·estimate − percentile), kept at 0 or above, and made to hold the estimate;
    - the ICI takes the wider of both limits on either side;
    - miscalibration and ICI reach down to 0 wherever perfect calibration gives a value as high by chance.
    `expected_by_chance` is the mean of miscalibration and ICI over outcomes redrawn from the stated probabilities, with
    the within-participant correlation of these data.
    """
    reasons = _not_estimable(resamples)
    estimates = _estimates(resamples, reasons)
    bootstrap = _statistics(resamples)
    chance = _by_chance(resamples)
    return tuple(
        Measure(name, None, None, None, None, reasons[name])
        if name in reasons
        else _measure(name, estimates[name], bootstrap[name], chance.get(name), resamples)
        for name in MEASURES
    )


def _estimates(resamples: Resamples, absent: Collection[str]) -> Mapping[str, float]:
    """The measures of the forecasts themselves, those that can be had."""
    counts, p, y = resamples.counts, resamples.forecasts.probability, resamples.forecasts.outcome
    clip = resamples.how.clip
    values = dict(zip(MEASURES, map(float, decompose(counts)), strict=False))
    values["brier"] = brier_score_loss(y, p)
    values["log_score"] = log_loss(y, np.clip(p, clip, 1 - clip), labels=(0, 1))
    if resamples.basis is not None and "ici" not in absent:
        values["ici"] = float(integrated_calibration_index(resamples.basis, counts, resamples.basis.fit(counts)))
        values["auc"] = roc_auc_score(y, p)
        values["intercept"], values["slope"] = recalibrate(counts, logit(counts.values, clip))
    elif "intercept" not in absent:
        values["intercept"] = float(calibration_in_the_large(counts, logit(counts.values, clip)))
    return values


def _statistics(resamples: Resamples) -> Mapping[str, FloatArray]:
    """Value of each measure in every bootstrap sample, shapes (B,); `ici` only where there is a basis."""
    counts = resamples.bootstrap
    x = logit(counts.values, resamples.how.clip)
    values = dict(zip(MEASURES, decompose(counts), strict=False))
    values["intercept"] = calibration_in_the_large(counts, x)
    values["slope"] = joint_model(counts, x)[1]
    values["auc"] = auc(counts)
    values["log_score"] = logarithmic(counts, resamples.how.clip)
    if resamples.basis is not None and resamples.smooth is not None:
        values["ici"] = integrated_calibration_index(resamples.basis, counts, resamples.smooth)
    return values


def _by_chance(resamples: Resamples) -> Mapping[str, FloatArray]:
    """Miscalibration and ICI in outcomes redrawn as if every forecast were right, shapes (B,)."""
    redrawn, basis = resamples.calibrated, resamples.basis
    values = {"miscalibration": decompose(redrawn)[1]}
    if basis is not None:
        values["ici"] = integrated_calibration_index(basis, redrawn, basis.fit(redrawn))
    return values


def _not_estimable(resamples: Resamples) -> Mapping[str, str]:
    """Why a measure cannot be estimated from these forecasts, for those that cannot."""
    counts = resamples.counts
    if resamples.forecasts.events in (0, resamples.forecasts.n):
        return dict.fromkeys(_NEED_BOTH_OUTCOMES, "Every «noun» has the same outcome.")
    if resamples.basis is None:
        return dict.fromkeys(_NEED_TWO_FORECASTS, "Every forecast is the same number.")
    if separation(counts, logit(counts.values, resamples.how.clip)) != 0:
        return dict.fromkeys(_NEED_TWO_FORECASTS, "The forecasts separate the «nouns» with and without the condition.")
    return {}


def _measure(
    name: str, estimate: float, bootstrap: FloatArray, chance: FloatArray | None, resamples: Resamples
) -> Measure:
    low, high = _limits(name, estimate, bootstrap, chance, resamples)
    notes = [_clip_note(resamples)] if name in _CLIPPED else []
    if low is None or high is None:
        notes.append("A limit cannot be given: too many resamples leave it open.")
    expected = None if chance is None else float(chance.mean())
    return Measure(name, estimate, low, high, expected, " ".join(filter(None, notes)))


def _limits(
    name: str, estimate: float, bootstrap: FloatArray, chance: FloatArray | None, resamples: Resamples
) -> tuple[float | None, float | None]:
    """Limits of one measure as `measure_all` describes them; None where one cannot be given."""
    low, high = (float(x) for x in percentile_limits(bootstrap, resamples.how.level, resamples.forecasts.participants))
    if name in _REFLECTED:
        low, high = max(0.0, min(2 * estimate - high, estimate)), max(2 * estimate - low, estimate)
    elif name == "ici":
        low, high = max(0.0, min(low, 2 * estimate - high)), max(high, 2 * estimate - low)
    if chance is not None and estimate <= np.quantile(chance, (1 + resamples.how.level) / 2):
        low = 0.0
    if high - low < 1e-12:
        return None, None
    return _finite(low), _finite(high)


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _clip_note(resamples: Resamples) -> str:
    clip, p = resamples.how.clip, resamples.forecasts.probability
    moved = int(((p < clip) | (p > 1 - clip)).sum())
    return f"{moved} of {p.size} forecasts nearer to 0 or 1 than {clip:g} were moved to that distance." if moved else ""

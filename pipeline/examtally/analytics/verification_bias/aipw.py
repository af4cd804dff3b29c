"""The doubly robust (AIPW) estimator of accuracy under partial verification, for one maneuver."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.analytics.verification_bias.corrected import CorrectedCells, correct, covariance_of_logits
from examtally.analytics.verification_bias.counts import obstacle
from examtally.analytics.verification_bias.grouped import Grouped
from examtally.analytics.verification_bias.models import effective_weights, fit_models
from examtally.analytics.verification_bias.terms import Variable, choose


def augmented(
    positive: BoolArray, present: BoolArray, verified: BoolArray, chance: FloatArray, expected: FloatArray
) -> FloatArray:
    """Contribution of each knee to tp, fp, fn, tn, (n, 4), by the doubly robust (AIPW) estimator.

    A knee counts as with the condition by r + V(D - r)/p: `expected` r is the modelled probability of the condition,
    `chance` p that of verification, V whether it is `verified` and D whether the condition is `present` (ignored
    where not verified). Right if either model is.

    Source: Alonzo TA, Pepe MS. J R Stat Soc C 2005;54:173–190, eq. 6 (semiparametric efficient estimator).
    """
    residual = np.where(verified, (present.astype(np.float64) - expected) / chance, 0.0)
    with_condition = expected + residual
    return _cells(positive, with_condition, 1.0 - with_condition)


def weighted(positive: BoolArray, present: BoolArray, verified: BoolArray, chance: FloatArray) -> FloatArray:
    """Contribution of each knee to tp, fp, fn, tn, (n, 4), by the inverse of its chance of verification.

    Source: Alonzo & Pepe 2005, eq. 5; Horvitz DG, Thompson DJ. J Am Stat Assoc 1952;47:663–685.
    """
    weight = np.where(verified, 1.0 / chance, 0.0)
    return _cells(positive, np.where(present, weight, 0.0), np.where(present, 0.0, weight))


def _cells(positive: BoolArray, with_condition: FloatArray, without: FloatArray) -> FloatArray:
    one = positive.astype(np.float64)
    return np.column_stack([one * with_condition, one * without, (1 - one) * with_condition, (1 - one) * without])


@dataclass(frozen=True)
class Figure:
    """One corrected measure: estimate, its standard error, and limits from the logit (ratios: log) scale."""

    estimate: float
    se: float
    ci_low: float
    ci_high: float


@dataclass(frozen=True)
class VerificationEstimate:
    """Corrected figures of one maneuver; None where a figure cannot be given, and `note` says why.

    `covariance` is that of the logits of sensitivity and specificity. `n` are the knees, `verified` those of them with
    a reference, `participants` the clusters; `min_probability` is the smallest modelled chance of verification among
    the verified, `max_weight` its inverse, `ess_weights` Kish's effective number of verified knees.
    """

    sensitivity: Figure | None
    specificity: Figure | None
    prevalence: Figure | None
    ppv: Figure | None
    npv: Figure | None
    lr_positive: Figure | None
    lr_negative: Figure | None
    covariance: float | None
    n: int
    verified: int
    participants: int
    min_probability: float | None
    max_weight: float | None
    ess_weights: float | None
    level: float
    note: str


_GIVEN = ("sensitivity", "specificity", "prevalence", "ppv", "npv", "lr_positive", "lr_negative")


@dataclass(frozen=True)
class _Knees:
    """Checked arrays of one maneuver, rows without a result left out."""

    positive: BoolArray
    present: BoolArray
    verified: BoolArray
    covariates: FloatArray
    cluster: npt.NDArray[np.generic]


def aipw(
    test: npt.ArrayLike,
    disease: npt.ArrayLike,
    verified: npt.ArrayLike,
    covariates: npt.ArrayLike | None = None,
    cluster: npt.ArrayLike | None = None,
    *,
    level: float = 0.95,
    penalty: float = 1.0,
) -> VerificationEstimate:
    """Correct for selective verification by the doubly robust estimator.

    `test` (n,) is 1 positive, 0 negative, NaN not interpretable (left out); `verified` (n,) is 0 or 1; `disease` (n,)
    is 0 or 1, and anything where not verified; `covariates` (n, k) are numbers without gaps that may have driven
    verification (constant columns, and copies of others or of `test`, are left out); `cluster` (n,) names the
    participant, None where each knee is a person of its own. ValueError for other values or shapes.

    Verification and condition are each modelled by logistic regression on test and covariates with a normal(0,
    1/penalty) prior on standardised coefficients; the figures are right, in large samples, if either model is and
    verification depends on nothing else that tells of the condition. Without covariates both models are the plain
    shares and the estimate is that of Begg and Greenes. Limits: influence function summed over participants, m/(m-1),
    logit scale. None where no positive, or no negative, knee was verified, where one class only was seen, and for a
    figure with an empty verified cell.

    Source: Alonzo TA, Pepe MS. J R Stat Soc C 2005;54:173–190, eq. 6 and section 3.2.
    """
    return _estimate(_read(test, disease, verified, covariates, cluster), level, penalty, is_doubly_robust=True)


def ipw(
    test: npt.ArrayLike,
    disease: npt.ArrayLike,
    verified: npt.ArrayLike,
    covariates: npt.ArrayLike | None = None,
    cluster: npt.ArrayLike | None = None,
    *,
    level: float = 0.95,
    penalty: float = 1.0,
) -> VerificationEstimate:
    """Correct for selective verification by weights: each verified knee counts by the inverse of its modelled chance.

    Arguments, missing values and errors as in `aipw`. Right if the verification model is; the weights are taken as
    known, which makes the limits too wide rather than too narrow. Without covariates the estimate is that of Begg and
    Greenes.

    Source: Alonzo & Pepe 2005, eq. 5; Horvitz DG, Thompson DJ. J Am Stat Assoc 1952;47:663–685.
    """
    return _estimate(_read(test, disease, verified, covariates, cluster), level, penalty, is_doubly_robust=False)


def _read(
    test: npt.ArrayLike,
    disease: npt.ArrayLike,
    verified: npt.ArrayLike,
    covariates: npt.ArrayLike | None,
    cluster: npt.ArrayLike | None,
) -> _Knees:
    result = np.asarray(test, dtype=np.float64)
    is_verified = _binary("verified", verified, result.size)
    known = np.where(is_verified > 0, np.asarray(disease, dtype=np.float64), 0.0)
    extra = np.zeros((result.size, 0)) if covariates is None else np.asarray(covariates, dtype=np.float64)
    extra = extra[:, None] if extra.ndim == 1 else extra
    if extra.shape[0] != result.size or not np.isfinite(extra).all():
        raise ValueError("covariates: one row a knee and no gaps; give a missing value its own column")
    taken = ~np.isnan(result)
    who = np.arange(result.size) if cluster is None else np.asarray(cluster)
    if who.shape != result.shape:
        raise ValueError("cluster: one value a knee")
    return _Knees(
        positive=_binary("test", result[taken], int(taken.sum())),
        present=_binary("disease", known[taken], int(taken.sum())),
        verified=is_verified[taken],
        covariates=extra[taken],
        cluster=who[taken],
    )


def _binary(name: str, values: npt.ArrayLike, size: int) -> BoolArray:
    array = np.asarray(values, dtype=np.float64)
    if array.shape != (size,) or not np.isin(array, (0.0, 1.0)).all():
        raise ValueError(f"{name}: 0 or 1, one value a knee")
    return np.asarray(array > 0)


def _estimate(knees: _Knees, level: float, penalty: float, *, is_doubly_robust: bool) -> VerificationEstimate:
    note = _obstacle(knees)
    figures: dict[str, Figure | None] = dict.fromkeys(_GIVEN)
    covariance = chance = None
    grouped = Grouped.of(knees.cluster)
    if not note:
        named = Variable("test", ("test",), knees.positive.astype(np.float64)[:, None])
        others = Variable("covariates", tuple(map(str, range(knees.covariates.shape[1]))), knees.covariates)
        design = choose([named, others], 1 + knees.covariates.shape[1])
        is_alone = design.variables == ("test",)
        models = fit_models(design.columns, knees.verified, knees.present, is_saturated=is_alone, penalty=penalty)
        rows = (
            augmented(knees.positive, knees.present, knees.verified, models.chance, models.expected)
            if is_doubly_robust
            else weighted(knees.positive, knees.present, knees.verified, models.chance)
        )
        table = CorrectedCells(grouped.sums(rows), grouped.products(rows), grouped.clusters())
        observed = CorrectedCells(_observed(knees)[None, :], np.zeros((1, 4, 4)), np.array([np.inf]))
        figures = {name: _figure(table, observed, name, level) for name in _GIVEN}
        covariance = _finite(covariance_of_logits(table)[0])
        chance = models.chance[knees.verified]
        missing = [name for name, figure in figures.items() if figure is None]
        note = f"Cannot be given, for a cell is empty or out of range: {', '.join(missing)}." if missing else ""
    return VerificationEstimate(
        **figures,
        covariance=covariance,
        n=knees.positive.size,
        verified=int(knees.verified.sum()),
        participants=int(grouped.clusters()[0]),
        min_probability=None if chance is None else float(chance.min()),
        max_weight=None if chance is None else float(1 / chance.min()),
        ess_weights=None if chance is None else effective_weights(chance),
        level=level,
        note=note,
    )


def _obstacle(knees: _Knees) -> str:
    positive, verified = knees.positive, knees.verified
    sides = [(side.sum(), (side & verified).sum()) for side in (positive, ~positive)]
    said = obstacle(*sides[0], *sides[1])
    classes = np.unique(knees.present[verified])
    if not said and classes.size < 2:
        return f"No verified «noun» {'without' if classes[0] else 'with'} the condition: only bounds can be given."
    return said


def _observed(knees: _Knees) -> FloatArray:
    """Verified knees in tp, fp, fn, tn."""
    ones = np.ones(knees.verified.size)
    return np.asarray(weighted(knees.positive, knees.present, knees.verified, ones).sum(axis=0))


def _figure(table: CorrectedCells, observed: CorrectedCells, measure: str, level: float) -> Figure | None:
    """The measure, None where the verified knees alone would make it 0, 1 or infinite."""
    found, seen = correct(table, measure, level), correct(observed, measure, level)
    estimate, spread = _finite(found.estimate[0]), _finite(found.variance[0])
    if estimate is None or spread is None or _finite(seen.estimate[0]) is None:
        return None
    scale = estimate if measure.startswith("lr") else estimate * (1 - estimate)
    return Figure(estimate, scale * spread**0.5, float(found.limits.low[0]), float(found.limits.high[0]))


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None

"""Two tests and no reference: the latent class model with stated beliefs about both tests."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri
from scipy.stats import rankdata

from examtally.analytics.intervals import FloatArray


def r_hat_and_ess(draws: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Rank-normalised split R-hat and bulk effective sample size of `draws`, (chains, iterations, …).

    One figure each for every other axis. R-hat is near 1 where the chains agree; NaN where all draws are equal.

    Source: Vehtari A et al. Bayesian Anal 2021;16:667–718, eq. 4 and section 4.1 (of the draws and of their distance
    from the median, the larger), eq. 10–13; initial monotone sequence of Geyer, 1992.
    """
    halves = _split(draws)
    scores = _normal_scores(halves)
    folded = np.abs(halves - np.median(halves, axis=(-2, -1), keepdims=True))
    return np.asarray(np.maximum(_ratio(scores), _ratio(_normal_scores(folded)))), _ess(scores)


def _ess(scores: FloatArray) -> FloatArray:
    chains, n = scores.shape[-2:]
    centred = scores - scores.mean(axis=-1, keepdims=True)
    power = np.abs(np.fft.rfft(centred, 2 * n, axis=-1)) ** 2
    covariance = np.fft.irfft(power, axis=-1)[..., :n] / n
    within = covariance[..., 0].mean(axis=-1) * n / (n - 1)
    total = within * (n - 1) / n + scores.mean(axis=-1).var(axis=-1, ddof=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = 1 - (within[..., None] - covariance.mean(axis=-2) * n / (n - 1)) / total[..., None]
    correlation[..., 0] = 1.0
    pairs = correlation[..., 0 : n - n % 2 : 2] + correlation[..., 1::2][..., : n // 2]
    pairs = np.where(np.cumprod(pairs > 0, axis=-1) > 0, pairs, 0.0)
    time = -1 + 2 * np.minimum.accumulate(pairs, axis=-1).sum(axis=-1)
    return np.asarray(chains * n / np.maximum(time, 1 / np.log10(chains * n)))


def _split(draws: npt.ArrayLike) -> FloatArray:
    """Both halves of every chain, (…, 2 · chains, half): what belongs together lies together, for ranks of it."""
    array = np.asarray(draws, dtype=np.float64)
    if array.ndim < 2 or array.shape[1] < 4:
        raise ValueError("draws: chains by at least four iterations")
    half = array.shape[1] // 2
    halves = np.concatenate([array[:, :half], array[:, -half:]])
    return np.ascontiguousarray(np.moveaxis(halves, (0, 1), (-2, -1)))


def _normal_scores(values: FloatArray) -> FloatArray:
    flat = values.reshape(*values.shape[:-2], -1)
    return np.asarray(ndtri((rankdata(flat, axis=-1) - 0.375) / (flat.shape[-1] + 0.25))).reshape(values.shape)


def _ratio(values: FloatArray) -> FloatArray:
    n = values.shape[-1]
    within = values.var(axis=-1, ddof=1).mean(axis=-1)
    between = values.mean(axis=-1).var(axis=-1, ddof=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.sqrt((n - 1) / n + between / within))


PARAMETERS = ("prevalence", "sensitivity_1", "specificity_1", "sensitivity_2", "specificity_2")
FLAT = (1.0, 1.0)
_FIRST = np.array([1.0, 1.0, 0.0, 0.0])  # result of the first test in each cell
_SECOND = np.array([1.0, 0.0, 1.0, 0.0])
_OTHER_FIRST, _OTHER_SECOND = 1 - _FIRST, 1 - _SECOND
_NONE, _ALL = np.zeros(4), np.ones(4)
_TALLIED = np.block(
    [
        [
            np.stack([_ALL, _FIRST, _NONE, _SECOND, _NONE], 1),
            np.stack([_NONE, 1 - _FIRST, _NONE, 1 - _SECOND, _NONE], 1),
        ],
        [
            np.stack([_NONE, _NONE, 1 - _FIRST, _NONE, 1 - _SECOND], 1),
            np.stack([_ALL, _NONE, _FIRST, _NONE, _SECOND], 1),
        ],
    ]
)
"""By cell, of the ill and then of the well: what speaks for each of PARAMETERS, then what speaks against it."""


@dataclass(frozen=True)
class LatentClass:
    """Posterior of each of PARAMETERS, (rows,) each: mean, median, equal-tailed limits, R-hat and bulk ESS.

    `draws` is (chains, iterations, parameters, rows); `note` says what the answer rests on.
    """

    mean: Mapping[str, FloatArray]
    median: Mapping[str, FloatArray]
    ci_low: Mapping[str, FloatArray]
    ci_high: Mapping[str, FloatArray]
    r_hat: Mapping[str, FloatArray]
    ess_bulk: Mapping[str, FloatArray]
    draws: FloatArray
    note: str


def latent_class(
    counts: npt.ArrayLike,
    priors: Mapping[str, tuple[npt.ArrayLike, npt.ArrayLike]],
    *,
    chains: int = 4,
    iterations: int = 5000,
    warm_up: int = 1000,
    level: float = 0.95,
    seed: int = 0,
) -> LatentClass:
    """Estimate prevalence and the accuracy of two tests that err independently given the condition, by Gibbs sampling.

    `counts` (4,) or (rows, 4) are the knees with both positive, the first only, the second only, neither: whole,
    ValueError where negative. `priors` gives each of PARAMETERS its Beta(a, b), Beta(1, 1) where left out; ValueError
    for another name or a number not above 0. Rows are separate data sets; a and b are one number for all of them, or
    (rows,).

    There are five unknowns and three free counts, so that the answer rests on the priors however many knees there are.
    With flat priors for both tests the mirror image, in which each calls ill who is well, fits as well: a large R-hat
    then says so.

    Source: Joseph L, Gyorkos TW, Coupal L. Am J Epidemiol 1995;141:263–272, appendix.
    """
    table = _counts(counts)
    beliefs = _beliefs(priors, table.shape[0])
    rng = np.random.default_rng(seed)
    shape = (chains, table.shape[0])
    now = rng.beta(beliefs[:, 0, None], beliefs[:, 1, None], size=(5, *shape))
    accuracy = now[1:]
    flipped = accuracy.reshape(2, 2, *shape).sum(axis=1, keepdims=True) < 1
    now[1:] = np.where(flipped, 1 - accuracy.reshape(2, 2, *shape), accuracy.reshape(2, 2, *shape)).reshape(4, *shape)
    draws, whole = np.empty((chains, iterations, 5, table.shape[0])), table.astype(np.int64)
    for step in range(-warm_up, iterations):
        ill = rng.binomial(whole, _chance_ill(now))
        found = np.moveaxis(np.concatenate([ill, table - ill], axis=-1) @ _TALLIED, -1, 0)
        now = rng.beta(beliefs[:, 0, None] + found[:5], beliefs[:, 1, None] + found[5:])
        if step >= 0:
            draws[:, step] = now.swapaxes(0, 1)
    return _summary(draws, level)


def _chance_ill(now: FloatArray) -> FloatArray:
    """Probability of the condition in each cell, (chains, rows, 4)."""
    prevalence, se_1, sp_1, se_2, sp_2 = now[..., None]
    ill = prevalence * np.abs(_OTHER_FIRST - se_1) * np.abs(_OTHER_SECOND - se_2)
    well = (1 - prevalence) * np.abs(_FIRST - sp_1) * np.abs(_SECOND - sp_2)
    total = ill + well
    return np.asarray(np.divide(ill, total, out=np.full_like(total, 0.5), where=total > 0))


def _counts(counts: npt.ArrayLike) -> FloatArray:
    table = np.atleast_2d(np.asarray(counts, dtype=np.float64))
    if table.shape[1] != 4 or not np.isfinite(table).all() or (table < 0).any() or (table % 1 != 0).any():
        raise ValueError("counts: both positive, first only, second only, neither, as whole numbers")
    return table


def _beliefs(priors: Mapping[str, tuple[npt.ArrayLike, npt.ArrayLike]], rows: int) -> FloatArray:
    """Both numbers of every parameter's prior in every row, (5, 2, rows)."""
    unknown = sorted(set(priors) - set(PARAMETERS))
    if unknown:
        raise ValueError(f"priors: no parameter {', '.join(unknown)}; use {', '.join(PARAMETERS)}")
    pairs = [[np.broadcast_to(np.asarray(n, np.float64), rows) for n in priors.get(name, FLAT)] for name in PARAMETERS]
    beliefs = np.array(pairs)
    if not (beliefs > 0).all() or not np.isfinite(beliefs).all():
        raise ValueError("priors: both numbers of a Beta(a, b) are above 0")
    return beliefs


def _summary(draws: FloatArray, level: float) -> LatentClass:
    pooled = draws.reshape(-1, *draws.shape[2:])
    low, median, high = np.quantile(pooled, [(1 - level) / 2, 0.5, (1 + level) / 2], axis=0)
    r_hats, independent = r_hat_and_ess(draws)
    return LatentClass(
        mean=_named(pooled.mean(axis=0)),
        median=_named(median),
        ci_low=_named(low),
        ci_high=_named(high),
        r_hat=_named(r_hats),
        ess_bulk=_named(independent),
        draws=draws,
        note="Two tests in one population: the answer rests on the priors, however many «nouns» there are.",
    )


def _named(values: FloatArray) -> dict[str, FloatArray]:
    return dict(zip(PARAMETERS, values, strict=True))

"""Whether chains have mixed, and how many independent draws they are worth."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri
from scipy.stats import rankdata

from examtally.analytics.intervals import FloatArray


def r_hat(draws: npt.ArrayLike) -> FloatArray:
    """Rank-normalised split R-hat of `draws`, (chains, iterations, …): one figure for each of the other axes.

    Near 1 where the chains agree; NaN where all draws are equal.

    Source: Vehtari A et al. Bayesian Anal 2021;16:667–718, eq. 4 and section 4.1 (of the draws and of their distance
    from the median, the larger).
    """
    halves = _split(draws)
    folded = np.abs(halves - np.median(halves, axis=(0, 1)))
    return np.asarray(np.maximum(_ratio(_normal_scores(halves)), _ratio(_normal_scores(folded))))


def ess_bulk(draws: npt.ArrayLike) -> FloatArray:
    """Bulk effective sample size of `draws`, (chains, iterations, …): one figure for each of the other axes.

    Source: Vehtari 2021, eq. 10–13, on rank-normalised split chains; initial monotone sequence of Geyer, 1992.
    """
    scores = _normal_scores(_split(draws))
    chains, n = scores.shape[:2]
    centred = scores - scores.mean(axis=1, keepdims=True)
    power = np.abs(np.fft.rfft(centred, 2 * n, axis=1)) ** 2
    covariance = np.fft.irfft(power, axis=1)[:, :n] / n
    within = covariance[:, 0].mean(axis=0) * n / (n - 1)
    total = within * (n - 1) / n + scores.mean(axis=1).var(axis=0, ddof=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = 1 - (within - covariance.mean(axis=0) * n / (n - 1)) / total
    correlation[0] = 1.0
    pairs = correlation[0 : n - n % 2 : 2] + correlation[1::2][: n // 2]
    pairs = np.where(np.cumprod(pairs > 0, axis=0) > 0, pairs, 0.0)
    time = -1 + 2 * np.minimum.accumulate(pairs, axis=0).sum(axis=0)
    return np.asarray(chains * n / np.maximum(time, 1 / np.log10(chains * n)))


def _split(draws: npt.ArrayLike) -> FloatArray:
    array = np.asarray(draws, dtype=np.float64)
    if array.ndim < 2 or array.shape[1] < 4:
        raise ValueError("draws: chains by at least four iterations")
    half = array.shape[1] // 2
    return np.concatenate([array[:, :half], array[:, -half:]])


def _normal_scores(values: FloatArray) -> FloatArray:
    flat = values.reshape(-1, *values.shape[2:])
    ranks = rankdata(flat, axis=0)
    return np.asarray(ndtri((ranks - 0.375) / (flat.shape[0] + 0.25))).reshape(values.shape)


def _ratio(values: FloatArray) -> FloatArray:
    n = values.shape[1]
    within = values.var(axis=1, ddof=1).mean(axis=0)
    between = values.mean(axis=1).var(axis=0, ddof=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.sqrt((n - 1) / n + between / within))

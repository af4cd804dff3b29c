"""Variances and effective sample sizes where one person, or one examiner, contributes several knees.

Everything follows from sums over clusters of products of the four cells of a 2x2 table. Cells are ordered tp, fp, fn,
tn; an estimate is described by one weight for each cell (its linearised influence), so that its clustered variance is
a quadratic form in those sums.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np
import numpy.typing as npt

from examtally.analytics.intervals import BoolArray, FloatArray, normal_quantile, t_quantile

CELLS = ("tp", "fp", "fn", "tn")
PRODUCTS = tuple(f"{a}_{b}" for a, b in combinations_with_replacement(CELLS, 2))


def product_matrix(products: Mapping[str, npt.ArrayLike]) -> FloatArray:
    """Arrange the ten sums of products (`tp_tp`, `tp_fp`, … `tn_tn`, each of shape (rows,)) as (rows, 4, 4) symmetric.

    Raises KeyError where a product is missing.
    """
    rows = np.asarray(products[PRODUCTS[0]]).shape[0]
    matrix = np.empty((rows, len(CELLS), len(CELLS)))
    for (i, a), (j, b) in combinations_with_replacement(enumerate(CELLS), 2):
        matrix[:, i, j] = matrix[:, j, i] = np.asarray(products[f"{a}_{b}"], dtype=np.float64)
    return matrix


def linear_covariance(
    first: FloatArray, second: FloatArray, products: FloatArray, clusters: npt.ArrayLike
) -> FloatArray:
    """Covariance of two linearised estimates: m/(m-1) times the cluster sum of the product of their influences.

    `first` and `second` are influence weights of shape (rows, 4), `products` is (rows, 4, 4), `clusters` the m clusters
    behind each row. NaN where m is below 2: one cluster says nothing of the spread between clusters.

    Source: Rao JNK, Scott AJ. Biometrics 1992;48:577-585, eq. 2 (ratio estimator); Korn EL, Graubard BI. Surv Methodol
    1998;24:193-201.
    """
    m = np.asarray(clusters, dtype=np.float64)
    usable = m > 1
    factor = np.where(usable, m / np.where(usable, m - 1, 1.0), np.nan)
    total: FloatArray = np.einsum("ri,rij,rj->r", first, products, second)
    return factor * total


def linear_variance(weights: FloatArray, products: FloatArray, clusters: npt.ArrayLike) -> FloatArray:
    """Linearised variance of one estimate, before any floor: `linear_covariance` with itself.

    Two knees a person that always agree double the variance of the proportion found in one knee of each:

    >>> sums = product_matrix({name: [0] for name in PRODUCTS} | {"tp_tp": [4 * 30], "fn_fn": [4 * 10]})
    >>> sensitivity = ratio_weights(np.array([[60, 0, 20, 0]]), ("tp",), ("tp", "fn"))
    >>> variance = linear_variance(sensitivity, sums, [40])
    >>> f"{variance[0] / (0.75 * 0.25 / 80) * 39 / 40:.3f}"
    '2.000'
    """
    return np.maximum(linear_covariance(weights, weights, products, clusters), 0.0)


def ratio_weights(cells: npt.ArrayLike, events: tuple[str, ...], denominator: tuple[str, ...]) -> FloatArray:
    """Influence of each knee on the ratio events / denominator, both sums of cells: (event - ratio) / n inside it.

    `cells` is (rows, 4). NaN where the denominator is empty.
    """
    table = np.asarray(cells, dtype=np.float64)
    inside = margin(denominator)
    n = table @ inside
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (table @ margin(events)) / n
        weights: FloatArray = (margin(events)[None, :] - ratio[:, None] * inside[None, :]) / n[:, None]
    return weights


def margin(cells: tuple[str, ...]) -> FloatArray:
    """Return 1 for each of the named cells and 0 for the others, in the order of CELLS."""
    return np.array([float(cell in cells) for cell in CELLS])


def is_repeated(cells: npt.ArrayLike, products: FloatArray, denominator: tuple[str, ...]) -> BoolArray:
    """Tell where any cluster has more than one knee in the denominator: its squared counts sum to more than n."""
    inside = margin(denominator)
    squared: FloatArray = np.einsum("i,rij,j->r", inside, products, inside)
    return squared > np.asarray(cells, dtype=np.float64) @ inside


@dataclass(frozen=True)
class EffectiveSize:
    """Design effect, at least 1, and the sample size that a binomial interval is given in place of n."""

    deff: FloatArray
    n: FloatArray


def effective_size(
    events: npt.ArrayLike, n: npt.ArrayLike, variance: npt.ArrayLike, clusters: npt.ArrayLike, level: float = 0.95
) -> EffectiveSize:
    """Effective sample size of a clustered proportion: n/deff, shrunk by (z/t)^2 with t on clusters - 1.

    `variance` is the linearised one; deff is its ratio to the binomial variance, floored at 1. Where none or all are
    events the variance is 0 and says nothing: n is then the number of clusters, without the t factor. NaN where n is
    0, or where a mixed outcome comes from fewer than two clusters.

    Source: Rao & Scott 1992, section 2; Korn & Graubard 1998, section 3 (the t factor); Brown, Cai & DasGupta 2001.

    >>> size = effective_size(events=[142], n=[158], variance=[0.00070994118], clusters=[16])
    >>> f"{size.deff[0]:.4f} {size.n[0] * (t_quantile(0.95, 15) / normal_quantile(0.95)) ** 2:.2f}"
    '1.2325 128.20'
    """
    x, size = np.asarray(events, dtype=np.float64), np.asarray(n, dtype=np.float64)
    m = np.asarray(clusters, dtype=np.float64)
    one_sided = (x == 0) | (x == size)
    with np.errstate(divide="ignore", invalid="ignore"):
        binomial = x / size * (1 - x / size) / size
        deff = np.where(one_sided, size / m, np.maximum(np.asarray(variance) / binomial, 1.0))
        shrink = np.where(one_sided, 1.0, (normal_quantile(level) / t_quantile(level, m - 1)) ** 2)
        effective = size / deff * shrink
    known = (size > 0) & np.isfinite(effective)
    return EffectiveSize(np.where(known, deff, np.nan), np.where(known, effective, np.nan))


def two_way_variance(participant: npt.ArrayLike, examiner: npt.ArrayLike, both: npt.ArrayLike) -> FloatArray:
    """Variance under clustering by participant and by examiner: their sum less that of the cross-classification.

    Never below the larger one-way variance. Each argument is a linearised variance; NaN in any gives NaN.

    Source: Cameron AC, Gelbach JB, Miller DL. J Bus Econ Stat 2011;29:238-249, eq. 2.2 and 2.3.

    >>> two_way_variance([0.004, 0.004], [0.009, 0.001], [0.003, 0.004])
    array([0.01 , 0.004])
    """
    one, two = np.asarray(participant, dtype=np.float64), np.asarray(examiner, dtype=np.float64)
    return np.maximum(np.maximum(one, two), one + two - np.asarray(both, dtype=np.float64))

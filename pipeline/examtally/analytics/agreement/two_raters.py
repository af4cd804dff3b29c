"""Agreement of two raters on the same units: kappa with its two standard errors, and what stands beside it.

A table of counts has a row for each category of the first rater and a column for each of the second, in one order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.intervals import FloatArray, normal_quantile

ONE_CATEGORY = "Both used one and the same category only: agreement beyond chance cannot be estimated."
WEIGHTS = ("none", "linear", "quadratic")


@dataclass(frozen=True)
class Kappa:
    """Cohen's kappa; None where it, a standard error or a limit cannot be estimated, the note says why.

    `observed` and `expected` are (weighted) shares of agreement. `se` is for limits, `se_null` for the test of no
    agreement beyond chance (`z`); neither knows of units that belong together.
    """

    estimate: float | None
    observed: float | None
    expected: float | None
    se: float | None
    se_null: float | None
    z: float | None
    low: float | None
    high: float | None
    n: int
    note: str


@dataclass(frozen=True)
class BinaryAgreement:
    """Agreement of two raters who each call a unit positive or negative; None where a figure cannot be estimated.

    `largest_kappa` is the kappa these margins allow at best.
    """

    observed: float | None
    positive: float | None
    negative: float | None
    kappa: float | None
    largest_kappa: float | None
    pabak: float | None
    prevalence_index: float | None
    bias_index: float | None
    gwet_ac1: float | None
    n: int


def cohen_kappa(table: npt.ArrayLike, *, weights: str = "none", level: float = 0.95) -> Kappa:
    """Agreement beyond chance, from a square table of counts (q, q), q at least 2.

    `weights` gives partial agreement by distance of the categories: `linear` 1 − |i − j|/(q − 1), `quadratic`
    1 − (i − j)²/(q − 1)². Raises ValueError for a table that is not square, negative or not finite.
    Cohen J. Educ Psychol Meas 1960;20:37–46 and Psychol Bull 1968;70:213–220; standard errors and limits from
    Fleiss JL, Cohen J, Everitt BS. Psychol Bull 1969;72:323–327.

    >>> kappa = cohen_kappa([[75, 1, 4], [5, 4, 1], [0, 0, 10]])
    >>> f"{kappa.estimate:.4f} {kappa.se:.4f} {kappa.se_null:.4f}"
    '0.6765 0.0877 0.0762'
    """
    counts = _square(table)
    n = counts.sum()
    if n == 0:
        return Kappa(None, None, None, None, None, None, None, None, 0, "No unit was rated by both.")
    p, w = counts / n, agreement_weights(counts.shape[0], weights)
    row, column = p.sum(axis=1), p.sum(axis=0)
    observed, expected = float((w * p).sum()), float(row @ w @ column)
    if 1 - expected < 1e-12:
        return Kappa(None, observed, expected, None, None, None, None, None, int(n), ONE_CATEGORY)
    kappa = (observed - expected) / (1 - expected)
    mean = (w @ column)[:, None] + (row @ w)[None, :]
    spread = float((p * (w - mean * (1 - kappa)) ** 2).sum()) - (kappa - expected * (1 - kappa)) ** 2
    spread_null = float((np.outer(row, column) * (w - mean) ** 2).sum()) - expected**2
    se = _root(spread / n) / (1 - expected)
    se_null = _root(spread_null / n) / (1 - expected)
    has_limits, z = se > 1e-9, normal_quantile(level)
    return Kappa(
        estimate=kappa,
        observed=observed,
        expected=expected,
        se=se if has_limits else None,
        se_null=se_null if se_null > 1e-9 else None,
        z=kappa / se_null if se_null > 1e-9 else None,
        low=max(-1.0, kappa - z * se) if has_limits else None,
        high=min(1.0, kappa + z * se) if has_limits else None,
        n=int(n),
        note="" if has_limits else "The standard error is 0 in this table: it gives no limits.",
    )


def binary_agreement(table: npt.ArrayLike) -> BinaryAgreement:
    """Describe agreement in a table of counts, positive first: [[both, only the first], [only the second, neither]].

    Raises ValueError for another shape, negative or not finite counts.
    Positive and negative agreement: Cicchetti DV, Feinstein AR. J Clin Epidemiol 1990;43:551–558. PABAK, prevalence
    and bias index: Byrt T, Bishop J, Carlin JB. J Clin Epidemiol 1993;46:423–429. AC1: see `gwet_ac1`.

    >>> agreement = binary_agreement([[40, 9], [6, 45]])
    >>> f"{agreement.observed:.2f} {agreement.positive:.4f} {agreement.negative:.4f} {agreement.gwet_ac1:.4f}"
    '0.85 0.8421 0.8571 0.7007'
    """
    counts = _square(table)
    if counts.shape != (2, 2):
        raise ValueError("a table of two by two counts is needed, positive first")
    n = counts.sum()
    values = {name: _number(value) for name, value in binary_statistics(counts.reshape(4)).items()}
    return BinaryAgreement(
        observed=values["observed_agreement"],
        positive=values["positive_agreement"],
        negative=values["negative_agreement"],
        kappa=values["cohen_kappa"],
        largest_kappa=_largest_kappa(counts / n) if n else None,
        pabak=values["pabak"],
        prevalence_index=values["prevalence_index"],
        bias_index=values["bias_index"],
        gwet_ac1=values["gwet_ac1"],
        n=int(n),
    )


def gwet_ac1(table: npt.ArrayLike) -> float | None:
    """Agreement beyond chance that is not upset by lopsided prevalence, from a square table of counts (q, q).

    Chance agreement is Σ π(1 − π)/(q − 1), π the mean share of each category. None where nothing was rated by both.
    Raises ValueError as `cohen_kappa`. Gwet KL. Br J Math Stat Psychol 2008;61:29–48.
    """
    counts = _square(table)
    n = counts.sum()
    if n == 0:
        return None
    share = (counts.sum(axis=0) + counts.sum(axis=1)) / (2 * n)
    expected = float((share * (1 - share)).sum() / (counts.shape[0] - 1))
    return float((np.trace(counts) / n - expected) / (1 - expected))


def agreement_weights(categories: int, weights: str) -> FloatArray:
    """Credit for each pair of categories, shape (q, q): 1 on the diagonal, less with distance."""
    if weights not in WEIGHTS:
        raise ValueError(f"weights must be one of {', '.join(WEIGHTS)}")
    if weights == "none":
        return np.eye(categories)
    place = np.arange(categories)
    distance = np.abs(place[:, None] - place[None, :]) / (categories - 1)
    return np.asarray(1 - (distance if weights == "linear" else distance**2), dtype=np.float64)


def binary_statistics(counts: FloatArray) -> dict[str, FloatArray]:
    """Every statistic of many 2×2 tables at once; `counts` (…, 4): both, only the first, only the second, neither.

    NaN where a statistic is not defined: no pair, no positive (negative) call, or one category only for kappa.
    """
    both, first, second, neither = np.moveaxis(counts, -1, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        n = counts.sum(axis=-1)
        observed = (both + neither) / n
        share_first, share_second = (both + first) / n, (both + second) / n
        by_chance = share_first * share_second + (1 - share_first) * (1 - share_second)
        mean = (share_first + share_second) / 2
        gwet = 2 * mean * (1 - mean)
        return {
            "observed_agreement": observed,
            "positive_agreement": 2 * both / (2 * both + first + second),
            "negative_agreement": 2 * neither / (2 * neither + first + second),
            "cohen_kappa": beyond_chance(observed, by_chance),
            "pabak": 2 * observed - 1,
            "gwet_ac1": beyond_chance(observed, gwet),
            "prevalence_index": (both - neither) / n,
            "bias_index": (first - second) / n,
        }


def beyond_chance(observed: FloatArray, expected: FloatArray) -> FloatArray:
    """(observed − expected) / (1 − expected), NaN where chance alone agrees always."""
    room = 1 - expected
    return np.where(room > 1e-12, (observed - expected) / np.where(room > 1e-12, room, 1.0), np.nan)


def _square(table: npt.ArrayLike) -> FloatArray:
    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or counts.shape[0] < 2:
        raise ValueError("a square table of counts is needed, at least two by two")
    if not np.all(np.isfinite(counts)) or np.any(counts < 0):
        raise ValueError("counts must be finite and not negative")
    return counts


def _largest_kappa(p: FloatArray) -> float | None:
    row, column = p.sum(axis=1), p.sum(axis=0)
    return _number(beyond_chance(np.minimum(row, column).sum(), row @ column))


def _number(value: npt.ArrayLike) -> float | None:
    number = float(np.asarray(value))
    return number if np.isfinite(number) else None


def _root(variance: float) -> float:
    return float(np.sqrt(max(variance, 0.0)))

"""Fleiss' kappa: agreement beyond chance of several raters, not necessarily the same ones for each unit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.agreement.two_raters import ONE_CATEGORY, beyond_chance


@dataclass(frozen=True)
class FleissKappa:
    """Kappa with its parts; None where it cannot be estimated, the note says why.

    `se_null` and `z` test agreement by chance alone and are no basis for limits; they and the standard error by
    category are None where units differ in their number of ratings. `by_category` sets each category against all
    others, None for a category nobody or everybody used.
    """

    estimate: float | None
    observed: float | None
    expected: float | None
    se_null: float | None
    z: float | None
    by_category: tuple[float | None, ...]
    se_null_by_category: float | None
    units: int
    note: str


def fleiss_kappa(counts: npt.ArrayLike) -> FleissKappa:
    """Agreement beyond chance from counts (N, k): how many raters put each of N units in each of k categories.

    Units with fewer than two ratings are left out. Raises ValueError for another shape, or for counts that are
    negative or not whole. Fleiss JL. Psychol Bull 1971;76:378–382; standard errors under no agreement from Fleiss JL,
    Nee JCM, Landis JR. Psychol Bull 1979;86:974–977 (those of 1971 are wrong); unequal numbers of
    ratings as in Fleiss JL, Levin B, Paik MC. Statistical Methods for Rates and Proportions, 3rd ed. 2003, chapter 18.
    """
    table = np.asarray(counts, dtype=np.float64)
    if table.ndim != 2 or table.shape[1] < 2:
        raise ValueError("counts must have a row for each unit and a column for each of at least two categories")
    if not np.all((table >= 0) & (table == np.round(table))):
        raise ValueError("counts must be whole numbers, not negative")
    table = table[table.sum(axis=1) >= 2]
    units, categories = table.shape
    nothing = (None,) * categories
    if units == 0:
        return FleissKappa(None, None, None, None, None, nothing, None, 0, "No unit was rated twice.")
    ratings = table.sum(axis=1)
    observed = float(((table * (table - 1)).sum(axis=1) / (ratings * (ratings - 1))).mean())
    share = table.sum(axis=0) / ratings.sum()
    expected = float((share**2).sum())
    if 1 - expected < 1e-12:
        return FleissKappa(None, observed, expected, None, None, nothing, None, units, ONE_CATEGORY)
    kappa = (observed - expected) / (1 - expected)
    raters = ratings[0] if np.all(ratings == ratings[0]) else None
    se, se_category = (None, None) if raters is None else _null_errors(units, float(raters), share)
    return FleissKappa(
        estimate=kappa,
        observed=observed,
        expected=expected,
        se_null=se,
        z=kappa / se if se else None,
        by_category=_by_category(table, ratings, share),
        se_null_by_category=se_category,
        units=units,
        note="" if raters is not None else "Units differ in their number of ratings: no standard error under chance.",
    )


def _null_errors(units: int, raters: float, share: npt.NDArray[np.float64]) -> tuple[float, float]:
    """Standard errors of kappa, and of the kappa of one category, where agreement is by chance alone."""
    pq = share * (1 - share)
    inner = pq.sum() ** 2 - (pq * (1 - 2 * share)).sum()
    scale = np.sqrt(2 / (units * raters * (raters - 1)))
    return float(scale * np.sqrt(inner) / pq.sum()), float(scale)


def _by_category(
    table: npt.NDArray[np.float64], ratings: npt.NDArray[np.float64], share: npt.NDArray[np.float64]
) -> tuple[float | None, ...]:
    """Kappa of each category against all others together."""
    inside, outside = table, ratings[:, None] - table
    pairs = (ratings * (ratings - 1))[:, None]
    observed = ((inside * (inside - 1) + outside * (outside - 1)) / pairs).mean(axis=0)
    kappas = beyond_chance(observed, share**2 + (1 - share) ** 2)
    return tuple(float(value) if np.isfinite(value) else None for value in kappas)

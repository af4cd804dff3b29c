"""What each participant adds to the agreement of a group, and the statistics that follow from the totals.

Every statistic depends on sums over participants only, so leaving a participant out is a subtraction.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from examtally.analytics.agreement.jackknife import Jackknife, totals
from examtally.analytics.calibration.forecasts import IntArray
from examtally.analytics.diagnostic_accuracy.clustering import effective_size
from examtally.analytics.diagnostic_accuracy.proportions import wilson
from examtally.analytics.intervals import BoolArray, FloatArray, Interval, t_quantile

CALL_STATISTICS = (
    "observed_agreement",
    "positive_agreement",
    "negative_agreement",
    "cohen_kappa",
    "pabak",
    "gwet_ac1",
    "prevalence_index",
    "bias_index",
    "fleiss_kappa",
    "krippendorff_alpha",
)
GRADE_STATISTICS = ("weighted_kappa",)
_CALLS = ("both", "only_a", "only_b", "neither")
_UNITS = ("units", "agreeing", "positive", "ratings", "apart")


def call_sums(pairs: pl.DataFrame) -> pl.DataFrame:
    """Sums of the calls of each participant by `code`: the 2×2 cells of the pairs, and the ratings of the units.

    A unit's ratings are the distinct exams in its pairs. `agreeing` is the share of its pairs of ratings that agree,
    `apart` its coincidences of unlike calls as Krippendorff's alpha counts them.
    """
    rows = pairs.sort("code", "participant", "unit")
    is_person = _changes(rows, "code", "participant")
    unit = np.flatnonzero(is_person | _changes(rows, "unit"))
    person = np.flatnonzero(is_person[unit])
    a, b = (rows[rater].to_numpy() == 1 for rater in "ab")
    cells = np.add.reduceat(np.stack([a & b, a & ~b, ~a & b, ~a & ~b], axis=1).astype(np.float64), unit)
    n, positive = _ratings(rows, unit, cells)
    unlike = positive * (n - positive)
    each = [np.ones(unit.size), 1 - 2 * unlike / (n * (n - 1)), positive, n, 2 * unlike / (n - 1)]
    sums = np.add.reduceat(np.column_stack([cells, *each]), person)
    people = rows.select("code", "participant")[unit[person]]
    return people.with_columns(pl.Series(name, sums[:, place]) for place, name in enumerate((*_CALLS, *_UNITS)))


def _changes(rows: pl.DataFrame, *columns: str) -> BoolArray:
    """Whether a row is the first, or differs from the one before it in any of `columns`."""
    differs = [pl.col(name) != pl.col(name).shift() for name in columns]
    return rows.select(pl.any_horizontal(differs).fill_null(value=True)).to_series().to_numpy()


def _ratings(rows: pl.DataFrame, unit: IntArray, cells: FloatArray) -> tuple[FloatArray, FloatArray]:
    """How many distinct exams rated each unit, and how many called it positive; `unit` holds each one's first row."""
    size = np.diff(np.append(unit, rows.height))
    n, positive = np.full(unit.size, 2.0), 2 * cells[:, 0] + cells[:, 1] + cells[:, 2]
    several = rows.with_columns(pl.Series("place", np.repeat(np.arange(unit.size), size)))
    several = several.filter(pl.Series(np.repeat(size > 1, size)))
    each = [several.select("place", pl.col(f"exam_{r}").alias("exam"), pl.col(r).alias("call")) for r in "ab"]
    counted = pl.concat(each).unique(["place", "exam"]).group_by("place").agg(pl.len(), pl.col("call").sum())
    n[counted["place"]], positive[counted["place"]] = counted["len"], counted["call"]
    return n, positive


def call_statistics(sums: FloatArray) -> FloatArray:
    """Statistics in the order of `CALL_STATISTICS` from totals (…, 9) in the order of `call_sums`; NaN if undefined.

    Fleiss' kappa takes units with any number of ratings; alpha is that of two categories.

    Source: Fleiss JL, Levin B, Paik MC. Statistical Methods for Rates and Proportions, 3rd ed. 2003, chapter 18;
    Krippendorff K. Computing Krippendorff's Alpha-Reliability. University of Pennsylvania 2011, section B.
    """
    values = binary_statistics(sums[..., :4])
    units, agreeing, positive, ratings, apart = np.moveaxis(sums[..., 4:], -1, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = positive / ratings
        values["fleiss_kappa"] = beyond_chance(agreeing / units, share**2 + (1 - share) ** 2)
        expected = 2 * positive * (ratings - positive) / (ratings - 1)
        values["krippendorff_alpha"] = np.where(expected > 0, 1 - apart / np.where(expected > 0, expected, 1), np.nan)
    return np.stack([values[name] for name in CALL_STATISTICS], axis=-1)


def binary_statistics(counts: FloatArray) -> dict[str, FloatArray]:
    """Every statistic of many 2×2 tables at once; `counts` (…, 4): both, only the first, only the second, neither.

    NaN where a statistic is not defined: no pair, no positive (negative) call, or one category only for kappa.

    Source: kappa: Cohen J. Educ Psychol Meas 1960;20:37–46; positive and negative agreement: Cicchetti DV, Feinstein
    AR. J Clin Epidemiol 1990;43:551–558; PABAK, prevalence and bias index: Byrt T, Bishop J, Carlin JB. J Clin
    Epidemiol 1993;46:423–429; AC1: Gwet KL. Br J Math Stat Psychol 2008;61:29–48.

    >>> found = binary_statistics(np.array([40.0, 9.0, 6.0, 45.0]))
    >>> [round(float(found[name]), 4) for name in ("observed_agreement", "cohen_kappa", "gwet_ac1")]
    [0.85, 0.6995, 0.7007]
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


def grade_sums(pairs: pl.DataFrame, grades: int) -> pl.DataFrame:
    """Sums of the grades of each participant by `code`, of pairs with both grades: both margins, then the distance.

    Grades run from 0 to `grades` − 1.
    """
    by = ("code", "participant")
    margins = [
        (pl.col(f"grade_{rater}") == grade).sum().alias(f"{rater}_{grade}") for rater in "ab" for grade in range(grades)
    ]
    distance = (pl.col("grade_a").cast(pl.Int64) - pl.col("grade_b").cast(pl.Int64)).abs().sum().alias("distance")
    both = pairs.drop_nulls(["grade_a", "grade_b"])
    return both.group_by(by).agg(*margins, distance).sort(by).with_columns(pl.exclude(by).cast(pl.Float64))


def grade_statistics(sums: FloatArray) -> FloatArray:
    """Cohen's kappa with linear weights, shape (…, 1), from totals in the order of `grade_sums`; NaN if undefined."""
    grades = (sums.shape[-1] - 1) // 2
    place = np.arange(grades)
    distance = np.abs(place[:, None] - place[None, :]).astype(np.float64)
    first, second = sums[..., :grades], sums[..., grades:-1]
    n = first.sum(axis=-1)
    expected = ((first @ distance) * second).sum(axis=-1)
    usable = expected > 0
    kappa = np.where(usable, 1 - n * sums[..., -1] / np.where(usable, expected, 1.0), np.nan)
    return np.asarray(kappa[..., None])


_FULL = 1 - 1e-12
_CORRECTED = np.isin(CALL_STATISTICS, ("cohen_kappa", "pabak", "gwet_ac1", "fleiss_kappa", "krippendorff_alpha"))


def fisher_limits(jackknife: Jackknife, level: float) -> Interval:
    """Limits on the scale of Fisher's z with t on clusters − 1, which keeps them within −1 and 1.

    NaN where there is no standard error, or where the estimate is −1 or 1.
    """
    estimate, t = jackknife.estimate, t_quantile(level, jackknife.clusters - 1)[:, None]
    usable = (np.abs(estimate) < _FULL) & (jackknife.se > 1e-9)
    inside = np.where(usable, estimate, 0.0)
    half = np.where(usable, t * jackknife.se / (1 - inside**2), np.nan)
    return Interval(np.tanh(np.arctanh(inside) - half), np.tanh(np.arctanh(inside) + half))


def call_limits(jackknife: Jackknife, sums: FloatArray, times: IntArray, group: IntArray, level: float) -> Interval:
    """Limits of the statistics of `call_statistics`; `sums`, `times` and `group` are what the jackknife was made from.

    - The three shares of agreement: Wilson on the effective number of pairs (`effective_size`), on the number of
      participants where all or none agree.
    - The others: `fisher_limits`. Where every pair agrees, the upper limit of those corrected for chance is 1, and the
      lower one their value if the observed agreement lay at its own lower limit, the margins staying as they are.
    """
    limits = fisher_limits(jackknife, level)
    whole = totals(times[:, None] * sums, group, jackknife.clusters.size)
    low, high = limits.low.copy(), limits.high.copy()
    for place, (agreeing, n) in enumerate(_shares(sums)):
        size = effective_size(
            totals(times * agreeing, group, whole.shape[0]),
            totals(times * n, group, whole.shape[0]),
            jackknife.se[:, place] ** 2,
            totals(times * (n > 0), group, whole.shape[0]),
            level,
        ).n
        share = wilson(np.nan_to_num(jackknife.estimate[:, place]) * size, size, level)
        low[:, place], high[:, place] = share.low, share.high
    full = (jackknife.estimate > _FULL) & _CORRECTED
    return Interval(np.where(full, _lowered(whole, low[:, 0]), low), np.where(full, 1.0, high))


def _shares(sums: FloatArray) -> tuple[tuple[FloatArray, FloatArray], ...]:
    """Numerator and denominator of observed, positive and negative agreement, shapes (…)."""
    both, only_a, only_b, neither = np.moveaxis(sums[..., :4], -1, 0)
    unlike = only_a + only_b
    return (both + neither, both + neither + unlike), (2 * both, 2 * both + unlike), (2 * neither, 2 * neither + unlike)


def _lowered(whole: FloatArray, observed: FloatArray) -> FloatArray:
    """Statistics of totals in which every pair agrees, were only a share `observed` of them to do so."""
    both, _, _, neither, units, _, positive, ratings, _ = np.moveaxis(whole, -1, 0)
    unlike = (both + neither) * (1 - observed)
    cells = (both - unlike / 2, unlike / 2, unlike / 2, neither - unlike / 2)
    return call_statistics(
        np.stack([*cells, units, units * observed, positive, ratings, ratings * (1 - observed)], axis=-1)
    )

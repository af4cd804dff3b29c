"""Resamples that keep a participant's rows together, and the limits read from them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array
from scipy.special import ndtr, stdtrit

from examtally.analytics.calibration.forecasts import Counts, Forecasts, IntArray
from examtally.analytics.intervals import FloatArray

_MOST_MISSING = 0.1
_AT_ONCE = 50  # draws taken together: bounds memory, whatever the number of rows
_MANY = 3_000  # rows, above which those of people with one are drawn as counts


def participant_weights(participant: IntArray, draws: int, rng: np.random.Generator) -> FloatArray:
    """How often each row enters each bootstrap sample of participants drawn with replacement: shape (draws, n).

    `participant` (n,) holds codes 0 … m − 1, each present.
    """
    m = int(participant.max()) + 1
    weights = np.empty((draws, participant.size))
    for row in weights:
        row[:] = np.bincount(rng.integers(m, size=m), minlength=m)[participant]
    return weights


def calibrated_outcomes(
    forecasts: Forecasts, correlation: float, draws: int, rng: np.random.Generator
) -> npt.NDArray[np.bool_]:
    """Outcomes as they would fall if every stated probability were right: shape (draws, n).

    Each row happens where a uniform number lies below its probability; with chance √`correlation` that number is its
    participant's own, so rows of one participant with equal probabilities have this correlation, and every row keeps
    its probability.
    """
    shape = (draws, forecasts.n)
    uniform = rng.random(shape)
    if correlation > 0:
        shared = rng.random((draws, forecasts.participants))[:, forecasts.participant]
        uniform = np.where(rng.random(shape) < np.sqrt(correlation), shared, uniform)
    return uniform < forecasts.probability


def bootstrap(forecasts: Forecasts, draws: int, rng: np.random.Generator) -> Counts:
    """Counts of each bootstrap sample of participants, (draws, K); of many rows those of people with one as counts."""
    apart = _Apart.of(forecasts)
    if apart is None:
        made = []
        for size in _blocks(draws):
            weights = participant_weights(forecasts.participant, size, rng)
            made.append((forecasts.by_value(weights), forecasts.by_value(weights * forecasts.outcome)))
        trials, events = (np.concatenate(each) for each in zip(*made, strict=True))
        return Counts(forecasts.values, trials, events)
    on_others = rng.binomial(forecasts.participants, apart.others.participants / forecasts.participants, draws)
    cells = rng.multinomial(forecasts.participants - on_others, apart.alone / apart.alone.sum()).astype(np.float64)
    people, place = apart.others.participants, np.repeat(np.arange(draws), on_others)
    drawn = rng.integers(people, size=place.size) if people else place
    times = np.bincount(place * people + drawn, minlength=draws * people).reshape(draws, people).astype(np.float64)
    cells += (apart.cells_of_others.T @ times.T).T
    return Counts(forecasts.values, cells[:, ::2] + cells[:, 1::2], cells[:, 1::2])


def calibrated(forecasts: Forecasts, correlation: float, draws: int, rng: np.random.Generator) -> Counts:
    """Counts of outcomes redrawn as if every probability were right, (draws, K); of many rows in part as counts."""
    every = np.broadcast_to(forecasts.counts.trials, (draws, forecasts.values.size))
    apart = _Apart.of(forecasts)
    if apart is None:
        redrawn = [
            forecasts.by_value(calibrated_outcomes(forecasts, correlation, size, rng)) for size in _blocks(draws)
        ]
        return Counts(forecasts.values, every, np.concatenate(redrawn))
    trials = apart.alone[::2] + apart.alone[1::2]
    events = rng.binomial(trials, forecasts.values, (draws, trials.size)).astype(np.float64)
    others, first = apart.others, 0
    at = np.searchsorted(forecasts.values, others.values)
    for size in _blocks(draws if others.n else 0):
        outcomes = calibrated_outcomes(others, correlation, size, rng)
        events[first : first + size, at] += others.by_value(outcomes)
        first += size
    return Counts(forecasts.values, every, events)


@dataclass(frozen=True)
class _Apart:
    """Many rows: those alone in a person counted by probability and outcome, `alone` (2K,), and the `others` as rows.

    `cells_of_others` (people with several rows, 2K) are the rows of each by probability and outcome.
    """

    alone: IntArray
    others: Forecasts
    cells_of_others: csr_array

    @classmethod
    def of(cls, forecasts: Forecasts) -> _Apart | None:
        """None where rows are few, or none is alone."""
        is_alone = np.bincount(forecasts.participant)[forecasts.participant] == 1
        if forecasts.n <= _MANY or not is_alone.any():
            return None
        cell = 2 * np.searchsorted(forecasts.values, forecasts.probability) + forecasts.outcome.astype(np.int64)
        p, y, who = (each[~is_alone] for each in (forecasts.probability, forecasts.outcome, forecasts.participant))
        others, cells = Forecasts.of(p, y, who), 2 * forecasts.values.size
        person = np.unique(who, return_inverse=True)[1]
        counted = csr_array((np.ones(who.size), (person, cell[~is_alone])), shape=(others.participants, cells))
        return cls(np.bincount(cell[is_alone], minlength=cells), others, counted)


def _blocks(draws: int) -> Iterator[int]:
    """How many draws are taken together."""
    return (min(_AT_ONCE, draws - first) for first in range(0, draws, _AT_ONCE))


def residual_correlation(forecasts: Forecasts, expected: FloatArray) -> float:
    """Correlation of outcomes within participants as `calibrated_outcomes` makes it, by moments; 0 without pairs.

    `expected` (n,) is the probability each row is measured against, rising with the forecast. The products of residuals
    over the pairs of one participant are held against min(e, f) − e·f, their expectation where both share one uniform
    number; the ratio is kept within 0 and 0.95.
    """
    who, size = forecasts.participant, forecasts.participants
    order = np.lexsort((expected, who))
    last = np.cumsum(np.bincount(who, minlength=size)) - 1
    above = np.empty(who.size)
    above[order] = last[who[order]] - np.arange(who.size)
    smaller = 2 * float((above * expected).sum())
    together = smaller - _pair_products(expected, who)
    return (
        float(np.clip(_pair_products(forecasts.outcome - expected, who) / together, 0, 0.95)) if together > 0 else 0.0
    )


def _pair_products(values: FloatArray, participant: IntArray) -> float:
    """Sum of products over the ordered pairs of different rows of one participant."""
    return float((np.bincount(participant, weights=values) ** 2).sum() - (values**2).sum())


def percentile_limits(draws: FloatArray, level: float, participants: int) -> tuple[FloatArray, FloatArray]:
    """Limits from the quantiles of bootstrap values, shape (B, …), along the first axis: two arrays of shape (…).

    The quantiles are moved outwards to make up for few participants (the expanded percentile interval: Hesterberg TC.
    Am Stat 2015;69:371–386). NaN values, where a resample had no estimate, are left out; a limit is NaN
    where over a tenth of the values are missing or where it falls among infinite values.
    """
    m = max(participants, 2)
    tail = float(ndtr(np.sqrt(m / (m - 1)) * stdtrit(m - 1, (1 - level) / 2)))
    with np.errstate(invalid="ignore"):
        missing = np.isnan(draws).mean(axis=0)
        filled = draws if not np.any(missing) else np.where(missing < 1, draws, 0.0)
        low, high = np.nanquantile(filled, [tail, 1 - tail], axis=0)
    low = np.where(np.isfinite(low) & (missing <= _MOST_MISSING), low, np.nan)
    high = np.where(np.isfinite(high) & (missing <= _MOST_MISSING), high, np.nan)
    return low, high

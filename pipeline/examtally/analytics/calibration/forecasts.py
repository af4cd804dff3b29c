"""Forecasts counted by their distinct values: examiners state round numbers, so few counts carry all the rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.analytics.intervals import FloatArray

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Forecasts:
    """The rows of one set of forecasts, sorted by stated probability, then participant, then outcome.

    `probability`, `outcome` (0 or 1) and `participant` are (n,) arrays; `values` holds the K distinct probabilities in
    rising order and `starts` the first row of each.
    """

    probability: FloatArray
    outcome: FloatArray
    participant: IntArray
    values: FloatArray
    starts: IntArray

    @classmethod
    def of(
        cls, probability: npt.ArrayLike, outcome: npt.ArrayLike, participant: npt.ArrayLike | None = None
    ) -> Forecasts:
        """Sort and count the rows.

        `probability` in 0–1, `outcome` 0 or 1 (or boolean), `participant` any integer key (each row its own participant
        if left out); equal lengths, no missing values. Probabilities equal to 12 decimals count as one value.
        Raises ValueError for anything else.
        """
        p = np.asarray(probability, dtype=np.float64).round(12)
        y = np.asarray(outcome, dtype=np.float64)
        who = np.arange(p.size) if participant is None else np.asarray(participant, dtype=np.int64)
        if p.ndim != 1 or p.shape != y.shape or p.shape != who.shape:
            raise ValueError("probability, outcome and participant must be arrays of one dimension and equal length")
        if not (np.all((p >= 0) & (p <= 1)) and np.all((y == 0) | (y == 1))):
            raise ValueError("probability must lie within 0 and 1, outcome must be 0 or 1, without missing values")
        order = np.lexsort((y, who, p))
        p, y = p[order], y[order]
        codes = np.unique(who[order], return_inverse=True)[1].astype(np.int64)
        values, starts = np.unique(p, return_index=True)
        return cls(p, y, codes, values, starts.astype(np.int64))

    @property
    def n(self) -> int:
        """Rows, that is knees."""
        return self.probability.size

    @property
    def events(self) -> int:
        """Rows whose outcome is 1."""
        return int(self.outcome.sum())

    @property
    def participants(self) -> int:
        """Distinct participants behind the rows."""
        return int(self.participant.max()) + 1 if self.n else 0

    def by_value(self, rows: npt.NDArray[np.generic]) -> FloatArray:
        """Sum `rows`, shape (…, n), over the rows of each distinct probability: shape (…, K)."""
        return np.asarray(np.add.reduceat(rows.astype(np.float64, copy=False), self.starts, axis=-1))

    @property
    def counts(self) -> Counts:
        """Rows and events at each distinct probability, as arrays (K,)."""
        return Counts(self.values, self.by_value(np.ones(self.n)), self.by_value(self.outcome))


@dataclass(frozen=True)
class Counts:
    """Rows (`trials`) and events at each of K distinct forecasts (`values`, rising), for one or many resamples.

    `values` is (K,); `trials` and `events` are (…, K), not negative and not necessarily whole, trials may be 0.
    """

    values: FloatArray
    trials: FloatArray
    events: FloatArray

    @property
    def non_events(self) -> FloatArray:
        """Rows without the event at each value."""
        return self.trials - self.events

    @property
    def total(self) -> FloatArray:
        """All rows of each resample, shape (…)."""
        return np.asarray(self.trials.sum(axis=-1))

    def mean(self, per_row: FloatArray) -> FloatArray:
        """Average over rows of a quantity that depends on the forecast alone, shape (…, K) or (K,)."""
        return np.asarray((self.trials * per_row).sum(axis=-1) / self.total)

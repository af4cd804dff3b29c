"""Drawn statuses of the knees of one condition, and what any figure of them needs: sums under drawn weights."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array

from examtally.analytics.intervals import FloatArray
from examtally.memory import fits

BLOCK = 50
_BLOCKS = 32  # kept: those of the most draws a condition has
Indices = npt.NDArray[np.integer]
Bits = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class StatusDraws:
    """Statuses of n knees in s draws from P(status | data).

    - `rows` (n,): the knees' rows in the verification frame; `participants` (n,): numbers of their people
    - `statuses` (n, ceil(s / 8)): one bit a draw, first draw in the highest bit
    - `chance` (n,): q = P(condition | data) of every knee
    - `seed`: of the Bayesian bootstrap of participants; the same for every condition of an analysis, so that draw t of
      two conditions belongs together
    """

    rows: Indices
    participants: Indices
    statuses: Bits
    chance: FloatArray
    draws: int
    seed: int

    def blocks(self) -> Iterator[tuple[slice, npt.NDArray[np.float32], npt.NDArray[np.float32]]]:
        """Yield block by block: which draws, statuses (n, b) as 0 and 1, and weights of the knees (n, b)."""
        people = int(self.participants.max(initial=0)) + 1
        weigh = _kept_weights if fits(4 * people * self.draws) else _weights
        for number, first in enumerate(range(0, self.draws, BLOCK)):
            last = min(first + BLOCK, self.draws)
            weights = weigh(self.seed, number, people)[:, : last - first]
            yield slice(first, last), self.statuses_of(first, last), weights[self.participants]

    def statuses_of(self, first: int, last: int) -> npt.NDArray[np.float32]:
        """Statuses of the draws from `first` to before `last`, (n, b)."""
        begin = first // 8
        bits = np.unpackbits(self.statuses[:, begin : -(-last // 8)], axis=1)
        return bits[:, first - 8 * begin : last - 8 * begin].astype(np.float32)

    def sums(self, values: npt.ArrayLike | csr_array) -> tuple[FloatArray, FloatArray]:
        """Weighted sums of `values` (k, n) over knees with and without the condition, (k, draws) each.

        Weights are those of the Bayesian bootstrap, one exponential number a participant and draw; any ratio of such
        sums is a draw of the share or mean it stands for. Rows of 0 and 1 give counts of cells.

        Source: Rubin DB. Ann Stat 1981;9:130–134.
        """
        left = values if isinstance(values, csr_array) else np.asarray(values, dtype=np.float32)
        present = np.empty((left.shape[0], self.draws))
        everyone = np.empty_like(present)
        for at, statuses, weights in self.blocks():
            everyone[:, at] = left @ weights
            present[:, at] = left @ (statuses * weights)
        return present, np.maximum(everyone - present, 0.0)


def _weights(seed: int, number: int, people: int) -> npt.NDArray[np.float32]:
    """Exponential weights of participants in the draws of one block, (people, BLOCK)."""
    drawn = np.random.default_rng([seed, number]).standard_exponential((BLOCK, people), dtype=np.float32)
    return np.ascontiguousarray(drawn.T)


_kept_weights = lru_cache(maxsize=_BLOCKS)(_weights)


def pack(statuses: npt.NDArray[np.bool_]) -> Bits:
    """Statuses (n, draws) as bits."""
    return np.packbits(statuses, axis=1)


def composite(parts: list[StatusDraws], rows: Indices, participants: Indices) -> StatusDraws:
    """Draws of a condition that is present where any of its parts is, for the knees `rows` that all parts hold."""
    places = [np.searchsorted(part.rows, rows) for part in parts]
    if not all(np.isin(rows, part.rows).all() for part in parts):
        raise ValueError("the parts do not hold all knees of the condition")
    statuses = np.bitwise_or.reduce([part.statuses[at] for part, at in zip(parts, places, strict=True)])
    first = parts[0]
    chance = np.unpackbits(statuses, axis=1, count=first.draws).mean(axis=1)
    return StatusDraws(rows, participants, statuses, chance, first.draws, first.seed)

"""The Markov chain behind a chart: every score below the limit that some cases can reach, and where each case leads."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from examtally.analytics.intervals import FloatArray

SAME = 1e-9
"""Scores nearer to the limit than this have reached it."""

_UNIT = 1e-12  # scores are whole numbers of it, so that equal scores are one state whatever the order of cases
_MOST_STATES = 400_000


class TooManyScoresError(ValueError):
    """More different scores can be reached than are followed."""


@dataclass(frozen=True)
class SignalChain:
    """States are the scores below the limit, 0 first, in the order of the cases they need; the last one is the signal.

    `after_success` and `after_failure` hold the state that follows each state; `known` holds how many states there are
    after each number of cases from 0.
    """

    after_success: NDArray[np.int64]
    after_failure: NDArray[np.int64]
    known: NDArray[np.int64]

    def signal_probability(self, p_failure: float, cases: int) -> float:
        """Probability of a signal within `cases` cases, at most those the chain holds, that fail with `p_failure`."""
        signal = self.after_success.size
        chances: FloatArray = np.ones(1)
        signalled = 0.0
        for case in range(cases):
            held = chances.size
            room = int(self.known[case + 1])
            passed = np.bincount(self.after_success[:held], chances * (1 - p_failure), signal + 1)
            missed = np.bincount(self.after_failure[:held], chances * p_failure, signal + 1)
            reached = (passed + missed).astype(np.float64)
            signalled += float(reached[signal])
            chances = reached[:room]
        return min(signalled, 1.0)


def signal_chain(success: float, failure: float, limit: float, cases: int) -> SignalChain:
    """The chain of a score that starts at 0, gains `success` or `failure` with each case and never falls below 0.

    TooManyScoresError where more than 400,000 different scores can be reached within `cases` cases.
    """
    steps = round(success / _UNIT), round(failure / _UNIT)
    top = ceil((limit - SAME) / _UNIT)
    states = {0: 0}
    scores, known = [0], [1]
    leads: list[tuple[int, int]] = []
    for _ in range(cases):
        for score in scores[len(leads) :]:
            leads.append((_state(score + steps[0], top, states, scores), _state(score + steps[1], top, states, scores)))
        if len(scores) > _MOST_STATES:
            raise TooManyScoresError("the score can take too many values; plan fewer cases, or levels further apart")
        known.append(len(scores))
    leads += [(0, 0)] * (len(scores) - len(leads))
    after = np.array(leads, dtype=np.int64).reshape(-1, 2)
    after = np.where(after < 0, len(scores), after)
    return SignalChain(after[:, 0].copy(), after[:, 1].copy(), np.array(known, dtype=np.int64))


def _state(score: int, top: int, states: dict[int, int], scores: list[int]) -> int:
    """The number of a score, given to it where it is new; -1 for the signal."""
    if score >= top:
        return -1
    score = max(score, 0)
    state = states.setdefault(score, len(scores))
    if state == len(scores):
        scores.append(score)
    return state

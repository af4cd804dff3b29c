"""The cumulative chart, for shares too small or periods too few in events for limits by period.

Two scores start at 0 after the baseline and never fall below it. One gains where there are more events than the
baseline leads to expect, the other where there are fewer; the chart signals when either reaches its limit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import beta, binom

from examtally.analytics.control_charts.chances import ODDS, YEAR, Promise
from examtally.analytics.intervals import FloatArray, IntArray
from examtally.analytics.learning_curves.cusum import risk_adjusted_weights

FALSE_SIGNAL = 0.05
_CELLS = 80
_NODES = 9
_LONGEST = 400
_LONGEST_WAIT = 120


@dataclass(frozen=True)
class Cumulative:
    """Scores for more and for fewer events after each period, their limits, and what the chart promises."""

    more: FloatArray
    fewer: FloatArray
    limit_more: float
    limit_fewer: float
    promise: Promise


@dataclass(frozen=True)
class _Arm:
    """One score: the weight of an event and of none, and the chances of each number of events at every true share."""

    event: float
    other: float
    size: int
    truth: FloatArray

    @classmethod
    def towards(cls, odds: float, share: float, size: int, truth: FloatArray) -> _Arm:
        weights = risk_adjusted_weights(share, odds)
        return cls(weights.failure, weights.success, size, truth)

    def gain(self, events: FloatArray | IntArray, sizes: FloatArray | IntArray) -> FloatArray:
        gain: FloatArray = self.event * events + self.other * (sizes - events)
        return gain

    def steps(self, limit: float, truth: FloatArray) -> FloatArray:
        """Transitions between cells of the score below `limit`, (nodes, cells, cells), by Brook & Evans 1972."""
        counts = np.arange(self.size + 1)
        width = limit / (_CELLS - 0.5)
        chance = binom.pmf(counts, self.size, truth[:, None])
        cell = np.rint(np.arange(_CELLS)[:, None] + self.gain(counts, np.full(counts.size, self.size)) / width)
        cell = np.maximum(cell, 0).astype(np.int64)
        places = (np.minimum(cell, _CELLS) + (_CELLS + 1) * np.arange(_CELLS)[:, None]).ravel()
        all_cells = _CELLS * (_CELLS + 1)
        steps = np.stack([np.bincount(places, np.tile(one, _CELLS), all_cells) for one in chance])
        inside: FloatArray = steps.reshape(truth.size, _CELLS, _CELLS + 1)[:, :, :_CELLS].astype(np.float64)
        return inside

    def false_signal(self, limit: float) -> float:
        """Chance that the score reaches `limit` within twelve periods, averaged over the true share."""
        steps = self.steps(limit, self.truth)
        kept = np.zeros((self.truth.size, 1, _CELLS))
        kept[:, 0, 0] = 1.0
        for _ in range(YEAR):
            kept = kept @ steps
        return float(1 - kept.sum(axis=(1, 2)).mean())

    def limit(self, false_signal: float) -> float:
        """The lowest limit, to 0.02, with at most this chance of a false signal."""
        low, high = 0.0, 20.0
        while high - low > 0.02:
            middle = (low + high) / 2
            if self.false_signal(middle) <= false_signal:
                high = middle
            else:
                low = middle
        return high

    def delay(self, limit: float) -> float:
        """Mean number of periods to the limit once the odds have changed as this score assumes.

        For every true share at most ten years of months: after a baseline of few events it may be so low that the mean
        would be centuries.
        """
        odds = self.truth / (1 - self.truth) * (ODDS if self.event > 0 else 1 / ODDS)
        steps = self.steps(limit, odds / (1 + odds))
        waits = np.linalg.solve(np.eye(_CELLS) - steps, np.ones((steps.shape[0], _CELLS, 1)))
        return float(np.minimum(waits[:, 0, 0], _LONGEST_WAIT).mean())

    def path(self, events: IntArray, sizes: IntArray, limit: float) -> FloatArray:
        """The score after each period, held at `limit` so that a signal ends soon after its cause."""
        score, scores = 0.0, np.empty(events.size)
        for place, gain in enumerate(self.gain(events, sizes)):
            score = min(limit, max(0.0, score + gain))
            scores[place] = score
        return scores


def cumulative(events: IntArray, sizes: IntArray, baseline: int) -> Cumulative | None:
    """Follow the periods after the first `baseline` ones; scores are 0 up to there. Periods may be without cases.

    Weights are log-likelihood ratios of odds doubled and odds halved (Steiner et al., Biostatistics 2000;1:441-452).
    The limits leave a chance of 5 % of a false signal within twelve periods, half of it to each score, with the true
    share distributed as the baseline leaves it. None where the baseline has no event, or no case without one, and where
    a period holds more than 400 cases, or less than one in two periods.
    """
    total, seen = int(events[:baseline].sum()), int(sizes[:baseline].sum())
    size = round(seen / baseline)
    if not 0 < total < seen or not 0 < size <= _LONGEST:
        return None
    truth = beta.ppf((np.arange(_NODES) + 0.5) / _NODES, total + 0.5, seen - total + 0.5)
    share = total / seen
    arms = [_Arm.towards(odds, share, size, truth) for odds in (ODDS, 1 / ODDS)]
    limits = [arm.limit(FALSE_SIGNAL / 2) for arm in arms]
    chance = sum(arm.false_signal(limit) for arm, limit in zip(arms, limits, strict=True))
    after = (events[baseline:], sizes[baseline:])
    paths = [np.append(np.zeros(baseline), arm.path(*after, limit)) for arm, limit in zip(arms, limits, strict=True)]
    aim = share * ODDS / (1 - share + share * ODDS)
    return Cumulative(paths[0], paths[1], limits[0], limits[1], Promise(chance, aim, arms[0].delay(limits[0])))

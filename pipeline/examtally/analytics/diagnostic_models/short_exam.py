"""The short exam: of all sets of k maneuvers, the one that forecasts the condition best in people it has not seen."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb

import numpy as np
import numpy.typing as npt

from examtally.analytics.calibration.resampling import participant_weights
from examtally.analytics.diagnostic_models.crossfit import check_parts
from examtally.analytics.diagnostic_models.influence import Estimate, estimate, score_influence
from examtally.analytics.intervals import FloatArray, IntArray
from examtally.analytics.logistic import fit_each, log_loss, variances

EXHAUSTIVE = 300
_PENALTY = 1.0
_MOST_DIGITS = 30  # base-3 digits that a 64-bit number holds with room to spare

Chosen = tuple[int, ...]


@dataclass(frozen=True)
class ExamSet:
    """One set of maneuvers: log score and area under the curve on unseen people, and what it loses.

    `maneuvers` are places among the candidates; `wins` is the share of resamples in which no other set of its size did
    better; `lost` is its log score less that of all candidates.
    """

    maneuvers: Chosen
    log_score: Estimate
    auc: Estimate
    wins: float
    lost: Estimate
    is_best: bool


@dataclass(frozen=True)
class _Loss:
    """Log loss and log-odds of every knee out of fold."""

    loss: FloatArray
    log_odds: FloatArray


class _Scorer:
    """Forecasts sets of maneuvers out of fold, each set once, from counts of knees by pattern and part."""

    def __init__(self, findings: IntArray, outcome: FloatArray, part: IntArray) -> None:
        self.findings, self.outcome, self.part = findings, outcome, part
        self.parts = int(part.max()) + 1
        self._known: dict[Chosen, _Loss] = {}

    def of(self, chosen: Chosen) -> _Loss:
        """The set's loss, remembered."""
        if chosen not in self._known:
            self._known[chosen] = self._score(chosen)
        return self._known[chosen]

    def mean(self, chosen: Chosen) -> float:
        """The set's log score, rounded so that equal sets are equal."""
        return round(float(self.of(chosen).loss.mean()), 12)

    def _score(self, chosen: Chosen) -> _Loss:
        rows, pattern = _patterns(self.findings[:, list(chosen)])
        design = np.column_stack([np.ones(len(rows)), rows == 1, rows == 2]).astype(np.float64)
        place = self.part * len(rows) + pattern
        size = len(rows) * self.parts
        inside = np.bincount(place, minlength=size).reshape(self.parts, -1).astype(np.float64)
        events = np.bincount(place, weights=self.outcome, minlength=size).reshape(self.parts, -1)
        knees, found = inside.sum(axis=0), events.sum(axis=0)
        precision = _PENALTY * variances(knees - inside, design) * (np.arange(design.shape[1]) > 0)
        log_odds = fit_each(knees - inside, found - events, design, precision=precision) @ design.T
        own = log_odds[self.part, pattern]
        return _Loss(log_loss(own, self.outcome), own)


def _patterns(findings: IntArray) -> tuple[IntArray, IntArray]:
    """The distinct rows, and which of them each row is."""
    columns = findings.shape[1]
    if columns > _MOST_DIGITS:
        rows, pattern = np.unique(findings, axis=0, return_inverse=True)
        return rows, pattern.ravel()
    codes = findings @ 3 ** np.arange(columns)
    _, first, pattern = np.unique(codes, return_index=True, return_inverse=True)
    return findings[first], pattern


def short_exams(
    findings: npt.ArrayLike,
    outcome: npt.ArrayLike,
    participant: npt.ArrayLike,
    part: npt.ArrayLike,
    *,
    max_size: int = 6,
    resamples: int = 500,
    seed: int | tuple[int, ...] = 0,
    level: float = 0.95,
    worth_showing: float = 0.05,
) -> tuple[ExamSet, ...]:
    """Compare sets of maneuvers by log score out of fold: for each size the best, then others that often win.

    `findings` (n, m) whole numbers: 0 negative, 1 positive, 2 no finding; `outcome` (n,) 0 or 1; `participant` (n,) any
    integer key; `part` (n,) the part each row's person is in, none in two (ValueError). All sets of a size are compared
    where there are at most 300 of them; otherwise the best set of the size before is enlarged, and maneuvers are
    swapped until nothing gets better. `wins`: people are drawn again, the forecasts kept. Sets that win in
    `worth_showing` of the resamples are given too. All candidates together come last where they are more than
    `max_size`. The best of many sets looks a little better than it is.

    >>> y = np.tile([1, 0], 30)
    >>> found = short_exams(np.column_stack([1 - y, y]), y, np.arange(60), np.arange(60) // 12, resamples=10)
    >>> [(one.maneuvers, one.is_best) for one in found]
    [((0,), True), ((0, 1), True)]

    Source: log score, Good IJ. J R Stat Soc B 1952;14:107-114; selection frequencies, Sauerbrei W, Schumacher M. Stat
    Med 1992;11:2093-2109.
    """
    found, y = np.asarray(findings, dtype=np.int64), np.asarray(outcome, dtype=np.float64)
    who = np.unique(np.asarray(participant), return_inverse=True)[1].astype(np.int64)
    parts = np.unique(np.asarray(part), return_inverse=True)[1].astype(np.int64)
    if found.ndim != 2 or not np.isin(found, (0, 1, 2)).all():
        raise ValueError("findings are 0 negative, 1 positive or 2 no finding, one column a maneuver")
    check_parts(parts, who)
    scorer = _Scorer(found, y, parts)
    every = tuple(range(found.shape[1]))
    weights = participant_weights(np.arange(int(who.max()) + 1), resamples, np.random.default_rng(seed))
    rows: list[ExamSet] = []
    best: Chosen = ()
    for size in range(1, min(max_size, len(every)) + 1):
        compared = _compared(scorer, every, size, best)
        best = min(compared, key=lambda one: (scorer.mean(one), one))
        wins = _wins(scorer, compared, who, weights)
        shown = [one for one in compared if one == best or wins[one] >= worth_showing]
        for chosen in sorted(shown, key=lambda one: (one != best, -wins[one], one)):
            rows.append(_row(scorer, chosen, every, who, wins[chosen], level, is_best=chosen == best))
    if len(every) > max_size:
        rows.append(_row(scorer, every, every, who, 1.0, level, is_best=True))
    return tuple(rows)


def _compared(scorer: _Scorer, every: Chosen, size: int, before: Chosen) -> list[Chosen]:
    """All sets of this size, or those that the search has met."""
    if comb(len(every), size) <= EXHAUSTIVE:
        return list(combinations(every, size))
    met = {tuple(sorted((*before, one))) for one in every if one not in before}
    best = min(met, key=lambda one: (scorer.mean(one), one))
    while True:
        near = set(_swaps(best, every))
        met |= near
        nearest = min(near, key=lambda one: (scorer.mean(one), one))
        if scorer.mean(nearest) >= scorer.mean(best):
            return sorted(met)
        best = nearest


def _swaps(chosen: Chosen, every: Sequence[int]) -> Iterator[Chosen]:
    for out in chosen:
        kept = [one for one in chosen if one != out]
        yield from (tuple(sorted((*kept, new))) for new in every if new not in chosen)


def _wins(scorer: _Scorer, compared: Sequence[Chosen], who: IntArray, weights: FloatArray) -> Mapping[Chosen, float]:
    """Share of resamples of people in which each set has the lowest loss; of equals the first."""
    summed = np.column_stack([np.bincount(who, weights=scorer.of(one).loss) for one in compared])
    winner = np.argmin((weights @ summed).round(9), axis=1)
    shares = np.bincount(winner, minlength=len(compared)) / len(weights)
    return dict(zip(compared, shares.tolist(), strict=True))


def _row(
    scorer: _Scorer, chosen: Chosen, every: Chosen, who: IntArray, wins: float, level: float, *, is_best: bool
) -> ExamSet:
    own, whole = scorer.of(chosen), scorer.of(every)
    change = own.loss - whole.loss
    area, influence = score_influence("auc", own.log_odds.round(9), scorer.outcome)
    return ExamSet(
        maneuvers=chosen,
        log_score=_mean(own.loss, who, level),
        auc=estimate(area, influence, who, level),
        wins=wins,
        lost=_mean(change, who, level) if chosen != every else Estimate(0.0, None, None),
        is_best=is_best,
    )


def _mean(values: FloatArray, who: IntArray, level: float) -> Estimate:
    return estimate(float(values.mean()), (values - values.mean()) / values.size, who, level)

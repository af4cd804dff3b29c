"""Two groups of few examiners compared by exchanging examiners between the groups, every way counted."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from examtally.analytics.comparison.examiner_clusters import contrast_examiners
from examtally.analytics.intervals import BoolArray, FloatArray

FEWER_THAN = 10
"""Examiners of both groups together under which they are exchanged."""
_GRID = 201
_HALVINGS = 20
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Permuted:
    """P value of equal groups and limits of the difference; limits NaN where no difference can be excluded.

    `least` is the smallest p value that so many examiners can give, over `ways` ways of dealing them.
    """

    p_value: float
    low: float
    high: float
    least: float
    ways: int


def permute_examiners(
    events: tuple[FloatArray, FloatArray], knees: tuple[FloatArray, FloatArray], level: float
) -> Permuted | None:
    """Deal examiners to the two groups in every way: `events` of `knees` of each, (examiners,) a group.

    The statistic is the difference over its standard error with examiners as clusters (CR2), so that groups of unequal
    spread or load do no harm; p is the share of ways at least as far from 0. The interval holds every difference that
    is not rejected once it was taken off the first group. With 3 + 3 examiners there are 20 ways, and p is never below
    0.1: an interval of 95 % then holds everything. None with fewer than two examiners a group, or FEWER_THAN or more
    together.

    Source: Chung E, Romano JP. Ann Stat 2013;41:484-507 (studentized permutation); Gail MH et al. Stat Med
    1996;15:1069-1092 (clusters dealt).

    >>> found = permute_examiners((np.array([9.0, 8, 10]), np.array([6.0, 7, 5])), (np.full(3, 10.0),) * 2, 0.95)
    >>> round(found.p_value, 3), found.ways, math.isnan(found.low)
    (0.1, 20, True)
    """
    kept = [(e[n != 0], n[n != 0]) for e, n in zip(events, knees, strict=True)]
    counts = [n.size for _, n in kept]
    total = sum(counts)
    if min(counts) < 2 or total >= FEWER_THAN:
        return None
    e, n = (np.concatenate(parts) for parts in zip(*kept, strict=True))
    ways = list(combinations(range(total), counts[0]))
    dealt = np.zeros((len(ways), total), dtype=bool)
    for place, way in enumerate(ways):
        dealt[place, list(way)] = True
    own = np.arange(total) < counts[0]
    observed = contrast_examiners((e[own], e[~own]), (n[own], n[~own])).value

    def p_of(apart: float) -> float:
        statistic = np.abs(_statistic(np.where(own, e - apart * n, e), n, dealt))
        return float((statistic >= statistic[0] - _ROUNDING).mean())

    least = (2 if counts[0] == counts[1] else 1) / len(ways)
    low, high = _limits(p_of, observed, 1 - level) if least <= 1 - level else (math.nan, math.nan)
    return Permuted(p_of(0.0), low, high, least, len(ways))


def _statistic(events: FloatArray, knees: FloatArray, first: BoolArray) -> FloatArray:
    """Difference over its standard error for each way (w, examiners) of dealing; 0 where nothing differs."""
    value, variance = np.zeros(first.shape[0]), np.zeros(first.shape[0])
    for side, sign in ((first, 1.0), (~first, -1.0)):
        own = knees * side
        total = own.sum(axis=1, keepdims=True)
        estimate = (events * side).sum(axis=1, keepdims=True) / total
        residual = (events - estimate * knees) * side
        value += sign * estimate[:, 0]
        variance += (residual**2 / np.where(side, 1 - own / total, 1.0)).sum(axis=1) / total[:, 0] ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        found = value / np.sqrt(variance)
    return np.nan_to_num(found, nan=0.0, posinf=np.inf, neginf=-np.inf)


def _limits(p_of: Callable[[float], float], observed: float, alpha: float) -> tuple[float, float]:
    """The farthest differences on either side that are not rejected, within -1 and 1."""
    grid = np.linspace(-1.0, 1.0, _GRID)
    kept = np.r_[grid[[p_of(apart) > alpha for apart in grid]], observed]
    step = grid[1] - grid[0]
    low, high = float(kept.min()), float(kept.max())
    return _edge(p_of, low, low - step, alpha), _edge(p_of, high, high + step, alpha)


def _edge(p_of: Callable[[float], float], inside: float, outside: float, alpha: float) -> float:
    """Where rejection begins between a difference that is kept and one that is not, within -1 and 1."""
    if abs(outside) > 1:
        return float(np.clip(inside, -1.0, 1.0))
    for _ in range(_HALVINGS):
        middle = (inside + outside) / 2
        inside, outside = (middle, outside) if p_of(middle) > alpha else (inside, middle)
    return inside

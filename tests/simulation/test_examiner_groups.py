"""Comparison of two groups of examiners where both are equally good: how often is it called a difference?

Aims, fixed before the first run: with 3 + 3, 6 + 6 and 12 + 12 examiners, a standard deviation of skill (logit) of 0,
0.3 and 0.6 and unequal numbers of knees (negative binomial, mean 26), a nominal 5 % test errs in 4 to 6 %; a difference
between typical sensitivities of 0.65 and 0.85 is found, with 12 + 12 and 0.6, in at least 80 %.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import expit, logit

from examtally.analytics.comparison.examiner_clusters import contrast_examiners
from examtally.analytics.sample_size import Examiners, unpaired

SEED = 770_201
RUNS = 20_000


def rejected(examiners: int, spread: float, typical: tuple[float, float], runs: int, seed: int) -> float:
    """Share of clinics in which the two groups are told to differ."""
    draw = np.random.default_rng(seed)
    found = 0
    for _ in range(runs):
        knees = [1.0 + draw.negative_binomial(2, 2 / 27, examiners) for _ in typical]
        skill = [expit(logit(p) + spread * draw.standard_normal(examiners)) for p in typical]
        events = [draw.binomial(n.astype(int), p).astype(float) for n, p in zip(knees, skill, strict=True)]
        found += contrast_examiners((events[0], events[1]), (knees[0], knees[1])).p_value < 0.05
    return found / runs


def test_equal_groups_are_rarely_told_apart_in_a_short_run() -> None:
    assert rejected(3, 0.6, (0.8, 0.8), 500, SEED) < 0.09
    assert rejected(12, 0.6, (0.65, 0.9), 60, SEED) > 0.8


def found_as_planned(examiners: int, spread: float, runs: int, seed: int) -> tuple[float, int]:
    """Share of clinics of the planned size in which 0.85 and 0.70 are told apart, and the knees a group.

    Aim, fixed before the first run: 0.78 to 0.84, the planned 0.80 and what rounding and counts in whole knees add.
    """
    plan = Examiners(examiners, examiners, spread)
    knees = math.ceil(plan.needed(unpaired(0.85, 0.70), 0.775, 0.025, 0.8) / examiners)
    draw = np.random.default_rng(seed)
    found = 0
    size = np.full(examiners, float(knees))
    for _ in range(runs):
        events = [draw.binomial(knees, _drawn(draw, p, spread, examiners)).astype(float) for p in (0.85, 0.70)]
        found += contrast_examiners((events[0], events[1]), (size, size)).p_value < 0.05
    return found / runs, knees * examiners


def _drawn(draw: np.random.Generator, mean: float, spread: float, examiners: int) -> np.ndarray:
    """Proportions of examiners with this mean and the standard deviation that the delta method gives the spread."""
    precision = 1 / (spread**2 * mean * (1 - mean)) - 1
    return draw.beta(mean * precision, (1 - mean) * precision, examiners)


def test_a_planned_difference_is_found_as_often_as_planned_in_a_short_run() -> None:
    share, _ = found_as_planned(12, 0.3, 1500, SEED)
    assert 0.76 <= share <= 0.86


@pytest.mark.study
@pytest.mark.parametrize(("examiners", "spread"), [(6, 0.3), (12, 0.3), (12, 0.6), (20, 0.6)])
def test_a_planned_difference_is_found_as_often_as_planned(examiners: int, spread: float) -> None:
    share, knees = found_as_planned(examiners, spread, RUNS // 4, SEED + 200 + examiners)
    print(f"{examiners} + {examiners} examiners, spread {spread}: {knees} knees a group, found in {share:.1%}")
    assert 0.78 <= share <= 0.84


@pytest.mark.study
@pytest.mark.parametrize("spread", [0.0, 0.3, 0.6])
@pytest.mark.parametrize("examiners", [3, 6, 12])
@pytest.mark.parametrize("typical", [0.8, 0.9])
def test_equal_groups_differ_in_four_to_six_percent(examiners: int, spread: float, typical: float) -> None:
    share = rejected(examiners, spread, (typical, typical), RUNS, SEED + examiners)
    print(f"{examiners} + {examiners} examiners, spread {spread}, {typical:.0%}: {share:.1%} called different")
    assert 0.04 <= share <= 0.06


@pytest.mark.study
@pytest.mark.parametrize("examiners", [3, 6, 12])
def test_a_difference_is_found_by_enough_examiners(examiners: int) -> None:
    share = rejected(examiners, 0.6, (0.65, 0.85), RUNS // 4, SEED + 100 + examiners)
    print(f"{examiners} + {examiners} examiners, 65 % and 85 %: found in {share:.0%}")
    assert share >= 0.8 or examiners < 12

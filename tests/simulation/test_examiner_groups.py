"""Comparison of two groups of examiners where both are equally good: how often is it called a difference?

Aims, fixed before the first run: with 3 + 3, 6 + 6 and 12 + 12 examiners, a standard deviation of skill (logit) of 0,
0.3 and 0.6 and unequal numbers of knees (negative binomial, mean 26), a nominal 5 % test errs in 4 to 6 %; a difference
between typical sensitivities of 0.65 and 0.85 is found, with 12 + 12 and 0.6, in at least 80 %.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit, logit

from examtally.analytics.comparison.examiner_clusters import contrast_examiners

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

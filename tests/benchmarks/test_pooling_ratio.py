"""How long pooling takes for a large group, against the likelihood it needs evaluated once.

One core does all of it; its own time is measured, so that other programs on the machine do not count.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.special import expit

from examtally.analytics.examiner_effects.binomial import BinomialLikelihood
from examtally.analytics.examiner_effects.fit import pool_counts
from examtally.analytics.examiner_effects.hyper import Hyper

EXAMINERS, MANEUVERS, MOST_SECONDS = 500, 40, 60


@pytest.mark.benchmark_ratio
def test_forty_maneuvers_of_five_hundred_examiners_with_intervals() -> None:
    rng = np.random.default_rng(20260604)
    skill = rng.normal([1.4, 1.7], 0.45, (MANEUVERS, EXAMINERS, 2))
    trials = rng.integers([1, 1], [30, 120], (MANEUVERS, EXAMINERS, 2))
    events = rng.binomial(trials, expit(skill))
    points = np.column_stack([rng.normal([1.4, 1.7], 0.1, (400, 2)), rng.normal(0, 0.2, (400, 3))])
    likelihood = BinomialLikelihood(events[0], trials[0])
    begin = time.process_time()
    likelihood.effects(Hyper.from_logs(points))
    once = time.process_time() - begin
    begin, clock = time.process_time(), time.perf_counter()
    for hits, n in zip(events, trials, strict=True):
        pooled = pool_counts(hits[:, 0], n[:, 1] - hits[:, 1], n[:, 0] - hits[:, 0], hits[:, 1])
        assert pooled.sensitivity is not None
        assert np.isfinite(pooled.sensitivity.ci_low).all()
        assert pooled.rung == "bivariate"
    seconds, waited = time.process_time() - begin, time.perf_counter() - clock
    print(
        f"\n{EXAMINERS} examiners x {MANEUVERS} maneuvers, intervals included: {seconds:.1f} s of one core "
        f"({waited:.1f} s by the clock); baseline, the likelihood of one maneuver at 400 points, {once:.2f} s "
        f"(ratio a maneuver {seconds / MANEUVERS / once:.1f})"
    )
    assert seconds < MOST_SECONDS

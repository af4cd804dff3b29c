"""Do the corrected areas of the diagnostic models come to what the models do on people they have not seen?

Each cohort: yes-or-no answers and findings, three in ten of them yes, some people with several knees, three in ten
knees with the condition. Without signal the truth is one half. With signal four columns tell of the condition, and the
truth of a cohort is its own model's area on 20,000 knees that nobody has seen.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit

from examtally.analytics.diagnostic_models.crossfit import CrossFit, choose_penalty, out_of_fold
from examtally.analytics.diagnostic_models.influence import estimate, score_influence
from examtally.analytics.diagnostic_models.optimism import optimism
from examtally.analytics.intervals import t_quantile
from examtally.analytics.logistic import fit_logistic
from examtally.processes import one_thread

SEED, SEED_OF_UNSEEN, UNSEEN = 7, 99, 20_000
PENALTIES = (0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0)
SETTINGS = [(knees, columns, signal) for signal in (0, 1) for knees, columns in ((150, 8), (150, 20), (400, 20))]
NAMES = ("truth", "apparent", "harrell", "corrected", "out_of_fold")


def cohort(rng: np.random.Generator, knees: int, columns: int, signal: int) -> tuple[np.ndarray, ...]:
    who = rng.integers(int(knees * 0.9), size=knees)
    x = (rng.random((knees, columns)) < 0.3).astype(float)
    log_odds = x[:, :4] @ np.array([1, 1, 0.7, 0.7]) * signal - 0.85 - 1.02 * signal
    return x, (rng.random(knees) < expit(log_odds)).astype(float), who


def study(setting: tuple[int, int, int], cohorts: int, draws: int = 100) -> tuple[np.ndarray, np.ndarray]:
    """Means of NAMES over the cohorts, and how often the interval round each of the last three covers the truth."""
    knees, columns, signal = setting
    unseen, outcome, _ = cohort(np.random.default_rng(SEED_OF_UNSEEN), UNSEEN, columns, signal)
    values, covered = [], []
    for number in range(cohorts):
        rng = np.random.default_rng([SEED, knees, columns, number])
        x, y, who = cohort(rng, knees, columns, signal)
        how = CrossFit(seed=number, penalties=PENALTIES)
        penalty, _ = choose_penalty(x, y, who, how, rng)
        model = fit_logistic(x, y, penalty=penalty)
        truth = score_influence("auc", expit(model.log_odds(unseen)), outcome)[0] if signal else 0.5
        found = optimism(x, y, who, penalty=penalty, draws=draws, seed=number, model=model).auc
        value, influence = score_influence("auc", out_of_fold(x, y, who, how).probability, y)
        limits = estimate(value, influence, who)
        values.append([truth, found.apparent, found.harrell, found.corrected, value])
        wide = found.limits(limits.se, t_quantile(0.95, np.unique(who).size - 1))[1] - found.corrected  # type: ignore[arg-type]
        halves = (wide, wide, limits.ci_high - value)  # type: ignore[operator]
        covered.append([abs(one - truth) < half for one, half in zip(values[-1][2:], halves, strict=True)])
    return np.mean(values, axis=0), np.mean(covered, axis=0)


def test_corrected_area_of_noise_covers_one_half_in_a_short_run() -> None:
    with one_thread():
        values, covered = study((150, 8, 0), 20, draws=50)
    assert values[NAMES.index("apparent")] > 0.6
    assert abs(values[NAMES.index("corrected")] - 0.5) < 0.05
    assert covered[1] >= 0.8


@pytest.mark.study
@pytest.mark.parametrize("setting", SETTINGS, ids=lambda s: f"{s[0]} knees, {s[1]} columns, signal {s[2]}")
def test_corrected_area(setting: tuple[int, int, int]) -> None:
    cohorts = 100
    with one_thread():
        values, covered = study(setting, cohorts)
    told = "  ".join(f"{name} {value:.3f}" for name, value in zip(NAMES, values, strict=True))
    print(f"\n{setting}; {cohorts} cohorts: {told}; covered by harrell, corrected, out of fold: {covered.round(3)}")
    assert abs(values[3] - values[0]) < 0.05
    assert covered[1] > 0.85

"""Do the limits of the calibration measures cover the truth as often as they say?

Each cohort: people, a seventh of them with both knees in it, outcomes of one person correlated, stated probabilities at
multiples of 0.05 with some 0 and 1 among them, true log-odds a straight line in the stated ones. The truth of each
measure is its value in the population of forecasts.
"""

from __future__ import annotations

import numpy as np
import pytest
from one_set import calibrate
from scipy.special import expit

from examtally.analytics.calibration.forecasts import Counts
from examtally.analytics.calibration.measures import MEASURES, Resampling
from examtally.analytics.calibration.recalibration import calibration_in_the_large, logit
from examtally.analytics.calibration.scores import auc, brier, logarithmic

VALUES = np.round(np.arange(0, 1.001, 0.05), 2)
SHARE = np.exp(-(((VALUES - 0.3) / 0.35) ** 2)) * np.where(VALUES == 0, 0.6, 1.0)
SHARE /= SHARE.sum()
CLIP = 0.005
SEED = 20260401

# participants, intercept, slope: well calibrated, over-confident, and a young registry
SETTINGS = [(60, 0.0, 0.6), (150, 0.0, 1.0), (150, -0.3, 0.6), (500, 0.0, 1.0), (500, -0.3, 0.6)]


def truth(intercept: float, slope: float) -> dict[str, float]:
    happens = expit(intercept + slope * logit(VALUES, CLIP))
    population = Counts(VALUES, SHARE, SHARE * happens)
    overall = float(SHARE @ happens)
    return {
        "brier": float(brier(population)),
        "miscalibration": float(SHARE @ (VALUES - np.where(slope == 1, VALUES, happens)) ** 2),
        "discrimination": float(SHARE @ (happens - overall) ** 2),
        "uncertainty": overall * (1 - overall),
        "intercept": float(calibration_in_the_large(population, logit(VALUES, CLIP))),
        "slope": slope,
        "ici": float(SHARE @ np.abs(VALUES - np.where(slope == 1, VALUES, happens))),
        "auc": float(auc(population)),
        "log_score": float(logarithmic(population, CLIP)),
    }


def cohort(people: int, intercept: float, slope: float, rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    who = np.concatenate([np.arange(people), np.nonzero(rng.random(people) < 1 / 7)[0]])
    stated = rng.choice(VALUES, size=who.size, p=SHARE)
    uniform = np.where(rng.random(who.size) < 0.6, rng.random(people)[who], rng.random(who.size))
    happens = stated if slope == 1 else expit(intercept + slope * logit(stated, CLIP))
    return stated, uniform < happens, who


def coverage(setting: tuple[int, float, float], cohorts: int, draws: int) -> dict[str, np.ndarray]:
    """Share of cohorts whose limits lie above the truth, cover it, and lie below it; limits left open cover."""
    people, intercept, slope = setting
    rng = np.random.default_rng([SEED, people, round(100 * slope)])
    true = truth(intercept, slope)
    seen: dict[str, list[int]] = {name: [] for name in MEASURES}
    for number in range(cohorts):
        for measure in calibrate(*cohort(people, intercept, slope, rng), how=Resampling(draws, number)):
            if measure.estimate is not None:
                low = -np.inf if measure.low is None else measure.low
                high = np.inf if measure.high is None else measure.high
                seen[measure.name].append(0 if true[measure.name] < low else 2 if true[measure.name] > high else 1)
    return {name: np.bincount(sides, minlength=3) / len(sides) for name, sides in seen.items()}


def test_limits_of_over_confident_people_cover_in_a_short_run() -> None:
    for name, sides in coverage((150, -0.3, 0.6), 120, 200).items():
        assert sides[1] >= 0.86, name


@pytest.mark.study
@pytest.mark.parametrize("setting", SETTINGS, ids=lambda s: f"{s[0]} people, intercept {s[1]}, slope {s[2]}")
def test_limits_cover(setting: tuple[int, float, float]) -> None:
    cohorts = 2000
    table = coverage(setting, cohorts, 500)
    print(
        f"\n{setting[0]} people, intercept {setting[1]}, slope {setting[2]}; {cohorts} cohorts, Monte-Carlo error 0.005"
    )
    for name, (above, within, below) in table.items():
        print(f"  {name:15} covered {within:.3f}   limits above the truth {above:.3f}, below {below:.3f}")
    assert min(sides[1] for sides in table.values()) > 0.9

"""The nine measures with their limits: identities, symmetry, planted truths, and data that cannot say."""

from __future__ import annotations

import numpy as np
import pytest
from one_set import calibrate
from scipy.special import expit

from examtally.analytics.calibration.measures import MEASURES, Measure, Resampling
from examtally.analytics.calibration.recalibration import logit

NEED_BOTH = {"discrimination", "uncertainty", "intercept", "slope", "ici", "auc"}


def rows(seed: int, n: int = 400, slope: float = 1.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    who = rng.integers(0, int(n * 0.85), n)
    p = np.round(rng.beta(1, 2, n), 1)
    return p, (rng.random(n) < expit(slope * logit(p, 0.005))).astype(float), who


def named(measures: tuple[Measure, ...]) -> dict[str, Measure]:
    return {measure.name: measure for measure in measures}


def test_every_measure_once_in_order_with_limits_that_hold_it() -> None:
    measures = calibrate(*rows(1))
    assert tuple(measure.name for measure in measures) == MEASURES
    for measure in measures:
        assert measure.low <= measure.estimate <= measure.high, measure.name
        assert (measure.expected_by_chance is not None) == (measure.name in {"miscalibration", "ici"})


def test_parts_add_up_to_the_brier_score() -> None:
    m = {name: measure.estimate for name, measure in named(calibrate(*rows(2))).items()}
    assert m["miscalibration"] - m["discrimination"] + m["uncertainty"] == pytest.approx(m["brier"], abs=1e-14)


def test_same_seed_same_limits_whatever_the_row_order() -> None:
    p, y, who = rows(3)
    order = np.random.default_rng(0).permutation(p.size)
    assert calibrate(p, y, who) == calibrate(p[order], y[order], who[order])
    assert calibrate(p, y, who) != calibrate(p, y, who, how=Resampling(seed=1))


def test_limits_widen_with_the_level() -> None:
    for wide, narrow in zip(calibrate(*rows(4)), calibrate(*rows(4), how=Resampling(level=0.8)), strict=True):
        assert wide.low <= narrow.low, wide.name
        assert wide.high >= narrow.high, wide.name


def test_swapping_the_outcome_with_the_complement() -> None:
    p, y, who = rows(5)
    there, back = named(calibrate(p, y, who)), named(calibrate(1 - p, 1 - y, who))
    for name in MEASURES:
        sign = -1 if name == "intercept" else 1
        assert back[name].estimate == pytest.approx(sign * there[name].estimate, abs=1e-9), name


def test_everybody_twice_under_the_same_name_changes_no_limit_of_the_scores() -> None:
    p, y, _ = rows(6)
    who = np.arange(p.size)
    once = named(calibrate(p, y, who))
    twice = named(calibrate(np.tile(p, 2), np.tile(y, 2), np.tile(who, 2)))
    for name in ("brier", "intercept", "slope", "auc", "log_score"):
        assert (twice[name].low, twice[name].high) == pytest.approx((once[name].low, once[name].high), abs=1e-8), name


def test_bootstrap_standard_error_of_the_brier_score_is_the_clustered_one() -> None:
    p, y, who = rows(7, 2000)
    m = named(calibrate(p, y, who, how=Resampling(draws=4000)))["brier"]
    loss = (p - y) ** 2 - m.estimate
    se = np.sqrt((np.bincount(who, weights=loss) ** 2).sum()) / p.size
    assert (m.high - m.low) / (2 * 1.96) == pytest.approx(se, rel=0.04)


def test_over_confidence_is_found() -> None:
    m = named(calibrate(*rows(8, 3000, slope=0.6)))
    assert m["slope"].low < 0.6 < m["slope"].high < 0.8
    assert m["miscalibration"].low > 0
    assert m["ici"].low > 0
    assert m["ici"].estimate > 2 * m["ici"].expected_by_chance


def test_perfect_forecasts_miss_by_what_chance_gives() -> None:
    ratios = []
    for seed in range(40):
        m = named(calibrate(*rows(seed, 300), how=Resampling(draws=200)))
        ratios.append([m[name].estimate / m[name].expected_by_chance for name in ("miscalibration", "ici")])
    assert np.mean(ratios, axis=0) == pytest.approx([1.0, 1.0], abs=0.2)


def test_chance_is_larger_where_people_count_twice() -> None:
    p, y, _ = rows(9, 300)
    who = np.arange(p.size)
    once = named(calibrate(p, y, who))["miscalibration"]
    twice = named(calibrate(np.tile(p, 2), np.tile(y, 2), np.tile(who, 2)))["miscalibration"]
    assert twice.expected_by_chance == pytest.approx(once.expected_by_chance, rel=0.15)


def test_moved_forecasts_are_counted_and_the_brier_score_is_left_as_stated() -> None:
    p, y, who = rows(10)
    p[:3], p[3:5] = 0.0, 1.0
    stated = int(((p == 0) | (p == 1)).sum())
    m = named(calibrate(p, y, who))
    assert m["slope"].note.startswith(f"{stated} of 400 forecasts")
    assert m["brier"].note == ""
    assert m["brier"].estimate == pytest.approx(((p - y) ** 2).mean(), abs=1e-15)


@pytest.mark.parametrize(
    ("p", "y", "missing", "said"),
    [
        ([0.2, 0.4, 0.6, 0.8] * 8, [1] * 32, NEED_BOTH, "same outcome"),
        ([0.4] * 32, [0, 1] * 16, {"slope", "ici", "auc"}, "same number"),
        ([0.2, 0.8] * 16, [0, 1] * 16, {"slope", "ici", "auc"}, "separate"),
        ([0.2, 0.8] * 16, [1, 0] * 16, {"slope", "ici", "auc"}, "separate"),
        ([0.7], [1], NEED_BOTH, "same outcome"),
    ],
    ids=["one class", "one forecast", "separated", "separated upside down", "one row"],
)
def test_what_cannot_be_said_is_missing_with_a_reason(
    p: list[float], y: list[int], missing: set[str], said: str
) -> None:
    measures = calibrate(p, y)
    assert {measure.name for measure in measures if measure.estimate is None} == missing
    for measure in measures:
        values = [measure.estimate, measure.low, measure.high, measure.expected_by_chance]
        assert all(value is None or np.isfinite(value) for value in values)
        if measure.name in missing:
            assert values == [None] * 4
            assert said in measure.note


def test_a_limit_without_width_is_missing() -> None:
    m = named(calibrate([0.2, 0.8] * 16, [0, 1] * 16))["brier"]
    assert (m.estimate, m.low, m.high) == (pytest.approx(0.04), None, None)
    assert "limit" in m.note


def test_no_rows_are_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        calibrate([], [])

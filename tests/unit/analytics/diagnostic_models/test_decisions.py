"""The short exam and decision curves."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from examtally.analytics.diagnostic_models import short_exam as module
from examtally.analytics.diagnostic_models.crossfit import deal
from examtally.analytics.diagnostic_models.decision import decision_curve, net_benefit
from examtally.analytics.diagnostic_models.short_exam import short_exams


def examined(n: int = 400, maneuvers: int = 5, seed: int = 2) -> tuple[np.ndarray, ...]:
    """Findings, outcome, participant and part; maneuver 0 is the best, 1 its copy in all but name, 2 adds to it."""
    rng = np.random.default_rng(seed)
    y = (rng.random(n) < 0.4).astype(float)
    found = np.column_stack([rng.random(n) < np.where(y > 0, se, 1 - sp) for se, sp in ((0.8, 0.85), (0.7, 0.7))])
    rest = rng.random((n, maneuvers - 3)) < 0.3
    columns = np.column_stack([found[:, 0], found[:, 0], found[:, 1], rest]).astype(np.int64)
    columns[rng.random(n) < 0.1, 2] = 2
    who = rng.integers(n * 9 // 10, size=n)
    return columns, y, who, deal(who, y, 5, rng)


def test_the_best_set_is_found_at_every_size() -> None:
    rows = short_exams(*examined(800), resamples=200, seed=1)
    best = {len(row.maneuvers): row for row in rows if row.is_best}
    assert sorted(best) == [1, 2, 3, 4, 5]
    assert best[1].maneuvers == (0,)
    assert best[2].maneuvers == (0, 2)
    assert best[2].log_score.value < best[1].log_score.value
    assert best[1].lost.ci_low > 0
    assert best[5].lost.value == 0
    assert best[5].wins == 1


def test_shares_of_wins_add_up_where_all_are_shown() -> None:
    rows = short_exams(*examined(120), resamples=150, seed=1, worth_showing=0.0)
    for size in range(1, 6):
        shown = [row for row in rows if len(row.maneuvers) == size]
        assert len(shown) == len(list(combinations(range(5), size)))
        assert sum(row.wins for row in shown) == pytest.approx(1)


def test_search_by_swaps_finds_what_looking_at_all_does(monkeypatch: pytest.MonkeyPatch) -> None:
    data = examined(500, 7)
    every = [row.maneuvers for row in short_exams(*data, resamples=100) if row.is_best]
    monkeypatch.setattr(module, "EXHAUSTIVE", 5)
    assert [row.maneuvers for row in short_exams(*data, resamples=100) if row.is_best] == every


def test_all_candidates_come_last_where_they_are_too_many() -> None:
    rows = short_exams(*examined(), max_size=2, resamples=100)
    assert [len(row.maneuvers) for row in rows if row.is_best] == [1, 2, 5]


def test_a_constant_maneuver_is_never_the_best_alone() -> None:
    found, y, who, part = examined()
    found[:, 3] = 1
    rows = short_exams(found, y, who, part, max_size=1, resamples=100)
    assert rows[0].maneuvers == (0,)
    assert (3,) not in {row.maneuvers for row in rows}


def test_parts_that_split_a_person_are_refused() -> None:
    found, y, who, _ = examined()
    with pytest.raises(ValueError, match="deal people, not knees"):
        short_exams(found, y, who, np.arange(y.size) % 5)


def test_a_binary_test_has_the_net_benefit_of_the_formula() -> None:
    """nb.binary: 1000 knees, prevalence 0.3, sensitivity 0.8, specificity 0.9."""
    y = np.repeat([1, 0], [300, 700])
    finding = np.r_[np.repeat([1, 0], [240, 60]), np.repeat([1, 0], [70, 630])]
    expected = {
        0.05: (0.2363157894736842, 0.2631578947368421, -51.0),
        0.1: (0.23222222222222222, 0.2222222222222222, 9.0),
        0.2: (0.2225, 0.125, 39.0),
        0.3: (0.21, 0.0, 49.0),
        0.5: (0.17, -0.4, 57.0),
    }
    by_test = decision_curve(finding * 0.999, y, np.arange(1000), tuple(expected))
    of_all = decision_curve(np.ones(1000), y, np.arange(1000), tuple(expected))
    of_none = decision_curve(np.zeros(1000), y, np.arange(1000), tuple(expected))
    for test, every, none in zip(by_test, of_all, of_none, strict=True):
        benefit, benefit_of_all, avoided = expected[test.threshold]
        assert test.net_benefit == pytest.approx(benefit, abs=1e-12)
        assert every.net_benefit == pytest.approx(benefit_of_all, abs=1e-12)
        assert test.avoided == pytest.approx(avoided, abs=1e-9)
        assert (every.avoided, none.net_benefit, none.ci_low) == (0, 0, None)
        assert (test.imaged, test.missed, every.missed, none.missed) == pytest.approx((31, 6, 0, 30))


def test_limits_of_net_benefit_cover_the_truth() -> None:
    truth, covered = 0.4 * 0.8 - 0.6 * 0.15 / 4, 0
    for seed in range(200):
        found, y, who, _ = examined(200, seed=seed)
        at = decision_curve(found[:, 0] * 0.9, y, who, (0.2,))[0]
        covered += at.ci_low < truth < at.ci_high
    assert 182 <= covered <= 199


def test_thresholds_and_rows_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        net_benefit(0.2, 0.1, 1.0)
    with pytest.raises(ValueError, match="at least one knee"):
        decision_curve([], [], [], (0.2,))

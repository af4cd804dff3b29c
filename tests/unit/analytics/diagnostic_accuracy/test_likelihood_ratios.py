"""Likelihood and odds ratios: score interval against statsmodels and its own equation, log interval, zero cells."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.contingency_tables import Table2x2
from statsmodels.stats.proportion import confint_proportions_2indep, score_test_proportions_2indep

from examtally.analytics.diagnostic_accuracy import likelihood_ratios as ratios

TABLES = np.array([[231, 32, 27, 54], [36, 16, 4, 64], [8, 3, 5, 40], [1, 1, 30, 30], [500, 2, 3, 900]])


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
@pytest.mark.parametrize("cells", TABLES.tolist())
@pytest.mark.parametrize("measure", ratios.RATIOS)
def test_score_interval_agrees_with_statsmodels(measure: str, cells: list[int], level: float) -> None:
    sides = [float(side[0]) for side in ratios.sides(measure, [cells])]
    ours = ratios.score_interval(*sides, level)
    low, high = confint_proportions_2indep(*sides, compare="ratio", method="score", correction=False, alpha=1 - level)
    tolerance = {"rel": 1e-6, "abs": 2e-7}  # its root search stops at a width of 1e-7 or so
    assert float(ours.low) == pytest.approx(low, **tolerance)
    assert float(ours.high) == pytest.approx(high, **tolerance)


@pytest.mark.parametrize(
    "sides",
    [
        (7, 9, 12, 140),
        (3, 503, 900, 902),
        (0, 20, 5, 30),
        (20, 20, 30, 30),
        (25, 25, 0, 40),
        (3, 3, 1, 1000),
        (1, 4000, 3, 5000),
    ],
)
def test_each_limit_is_where_the_score_test_is_on_the_line(sides: tuple[int, int, int, int]) -> None:
    limits = ratios.score_interval(*sides)
    for limit in (float(limits.low), float(limits.high)):
        if 0 < limit < np.inf:
            test = score_test_proportions_2indep(*sides, value=limit, compare="ratio", correction=False)
            assert test.pvalue == pytest.approx(0.05, rel=1e-6)


def test_score_interval_is_one_pass_over_rows() -> None:
    together = ratios.score_interval(
        TABLES[:, 0], TABLES[:, 0] + TABLES[:, 2], TABLES[:, 1], TABLES[:, 1] + TABLES[:, 3]
    )
    for row, (tp, fp, fn, tn) in enumerate(TABLES):
        alone = ratios.score_interval(tp, tp + fn, fp, fp + tn)
        assert (float(alone.low), float(alone.high)) == (together.low[row], together.high[row])


def test_nothing_below_the_line_leaves_a_finite_lower_limit() -> None:
    limits = ratios.score_interval(20, 25, 0, 30)
    assert 1 < float(limits.low) < np.inf
    assert float(limits.high) == np.inf


def test_nothing_above_the_line_leaves_a_finite_upper_limit() -> None:
    limits = ratios.score_interval(0, 25, 12, 30)
    assert float(limits.low) == 0
    assert 0 < float(limits.high) < 1


@pytest.mark.parametrize("sides", [(0, 25, 0, 30), (0, 0, 3, 30), (3, 25, 0, 0), (np.nan, np.nan, 3, 30)])
def test_no_limits_where_there_is_no_ratio(sides: tuple[float, float, float, float]) -> None:
    limits = ratios.score_interval(*sides)
    assert np.isnan(limits.low)
    assert np.isnan(limits.high)


def test_turning_a_ratio_over_turns_its_interval_over() -> None:
    one, other = ratios.score_interval(7, 9, 12, 140), ratios.score_interval(12, 140, 7, 9)
    assert float(one.low) == pytest.approx(1 / float(other.high), rel=1e-10)
    assert float(one.high) == pytest.approx(1 / float(other.low), rel=1e-10)


@pytest.mark.parametrize("cells", TABLES.tolist())
def test_odds_ratio_agrees_with_statsmodels(cells: list[int]) -> None:
    tp, fp, fn, tn = cells
    theirs = Table2x2(np.array([[tp, fp], [fn, tn]]))
    ours = ratios.point("diagnostic_odds_ratio", [cells])
    limits = ratios.log_interval(ours, ratios.log_variance("diagnostic_odds_ratio", [cells]), 1.959963984540054)
    assert ours[0] == pytest.approx(theirs.oddsratio)
    assert (limits.low[0], limits.high[0]) == pytest.approx(theirs.oddsratio_confint(0.05))


@pytest.mark.parametrize("measure", [*ratios.RATIOS, ratios.ODDS_RATIO])
def test_influence_is_the_slope_of_the_logarithm(measure: str) -> None:
    table = np.array([[231.0, 32.0, 27.0, 54.0]])
    weights = ratios.influence(measure, table)[0]
    for cell in range(4):
        step = np.zeros((1, 4))
        step[0, cell] = 1e-4
        slope = np.log(ratios.point(measure, table + step) / ratios.point(measure, table - step)) / 2e-4
        assert weights[cell] == pytest.approx(slope[0], rel=1e-6)


def test_points_with_zero_cells() -> None:
    assert ratios.point("lr_positive", [[20, 0, 5, 30]])[0] == np.inf
    assert ratios.point("lr_positive", [[0, 3, 5, 30]])[0] == 0
    assert np.isnan(ratios.point("lr_positive", [[0, 0, 5, 30]])[0])
    assert np.isnan(ratios.point("lr_negative", [[0, 3, 0, 30]])[0])


def test_log_interval_needs_a_positive_finite_ratio_and_a_variance() -> None:
    limits = ratios.log_interval([0.0, np.inf, np.nan, 2.0], [1.0, 1.0, 1.0, np.inf], 1.96)
    assert np.isnan(limits.low).all()
    assert np.isnan(limits.high).all()

"""Predictive values at another prevalence and the probability after a finding."""

from __future__ import annotations

import numpy as np
import pytest

from examtally.analytics.diagnostic_accuracy.likelihood_ratios import log_interval, log_variance, point
from examtally.analytics.diagnostic_accuracy.predictive_values import post_test, post_test_interval, predictive_value
from examtally.analytics.intervals import Interval

CELLS = [[231, 32, 27, 54]]
Z = 1.959963984540054


def test_predictive_value_at_the_local_prevalence_is_the_local_one() -> None:
    for measure, behind, expected in (("ppv", "lr_positive", 231 / 263), ("npv", "lr_negative", 54 / 81)):
        value, _ = predictive_value(measure, 258 / 344, point(behind, CELLS), log_variance(behind, CELLS), Z)
        assert value[0] == pytest.approx(expected)


@pytest.mark.parametrize("prevalence", [0.02, 0.25, 0.9])
def test_interval_is_the_pre_test_odds_times_that_of_the_ratio(prevalence: float) -> None:
    ratio, variance = point("lr_positive", CELLS), log_variance("lr_positive", CELLS)
    value, limits = predictive_value("ppv", prevalence, ratio, variance, Z)
    after = post_test_interval(prevalence, log_interval(ratio, variance, Z))
    assert value[0] == pytest.approx(post_test(prevalence, ratio)[0])
    assert (limits.low[0], limits.high[0]) == pytest.approx((after.low[0], after.high[0]))


def test_npv_limits_are_those_of_the_negative_ratio_turned_over() -> None:
    ratio, variance = point("lr_negative", CELLS), log_variance("lr_negative", CELLS)
    value, limits = predictive_value("npv", 0.25, ratio, variance, Z)
    after = post_test_interval(0.25, log_interval(ratio, variance, Z))
    assert value[0] == pytest.approx(1 - post_test(0.25, ratio)[0])
    assert (limits.low[0], limits.high[0]) == pytest.approx((1 - after.high[0], 1 - after.low[0]))


def test_variance_of_the_logit_as_printed_by_mercaldo() -> None:
    """var(logit PPV) = (1 - Se)/(Se n1) + Sp/((1 - Sp) n0); var(logit NPV) = Se/((1 - Se) n1) + (1 - Sp)/(Sp n0)."""
    se, sp, n1, n0 = 231 / 258, 54 / 86, 258, 86
    assert log_variance("lr_positive", CELLS)[0] == pytest.approx((1 - se) / (se * n1) + sp / ((1 - sp) * n0))
    assert log_variance("lr_negative", CELLS)[0] == pytest.approx(se / ((1 - se) * n1) + (1 - sp) / (sp * n0))


def test_a_ratio_of_five_on_a_suspicion_of_thirty_percent() -> None:
    """Odds 3:7 times 5 are 15:7."""
    assert post_test(0.3, 5.0) == pytest.approx(15 / 22)


def test_an_unbounded_limit_stays_unknown() -> None:
    limits = post_test_interval(0.3, Interval(np.array([2.0, np.nan]), np.array([np.inf, np.nan])))
    assert limits.low[0] == pytest.approx(6 / 13)
    assert np.isnan(limits.low[1])
    assert np.isnan(limits.high).all()


@pytest.mark.parametrize("ratio", [0.0, np.inf, np.nan])
def test_no_predictive_value_without_a_ratio(ratio: float) -> None:
    value, limits = predictive_value("ppv", 0.25, [ratio], [0.1], Z)
    assert np.isnan(value[0])
    assert np.isnan(limits.low[0])


@pytest.mark.parametrize("pre_test", [0.0, 1.0, 30.0])
def test_a_pre_test_probability_lies_between_0_and_1(pre_test: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        post_test(pre_test, 2.0)

"""Limits of quality charts against printed numbers, or the formula they were computed from."""

from __future__ import annotations

import numpy as np
import pytest

from examtally.analytics.control_charts import binomial_funnel, laney_sigma, share_limits

# Montgomery, Introduction to Statistical Quality Control, orange-juice cans: 30 samples of 50.
CANS = [
    *(12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22),
    *(8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6),
]


def test_p_chart_of_the_orange_juice_cans() -> None:
    """Printed: centre .2313, limits .0524 and .4102, samples 15 and 23 outside; without them .2150, .0407, .3893."""
    counts = np.array(CANS)
    centre = counts.sum() / (50 * counts.size)
    low, high = share_limits(centre, np.full(30, 50))
    assert (round(centre, 4), round(low[0], 4), round(high[0], 4)) == (0.2313, 0.0524, 0.4102)
    assert (np.flatnonzero((counts / 50 > high) | (counts / 50 < low)) + 1).tolist() == [15, 23]
    kept = np.delete(counts, [14, 22])
    centre = kept.sum() / (50 * kept.size)
    low, high = share_limits(centre, np.full(28, 50))
    assert (round(centre, 4), round(low[0], 4), round(high[0], 4)) == (0.2150, 0.0407, 0.3893)
    assert (np.flatnonzero(kept / 50 > high) + 1).tolist() == [20]


def test_funnel_limits_of_50_at_a_target_of_one_in_ten() -> None:
    """Spiegelhalter, Stat Med 2005;24:1185-1202, appendix A.1.1, worked out in double precision."""
    low, high = binomial_funnel(0.1, np.array([50]), 0.95)
    assert (low[0], high[0]) == pytest.approx((0.013862926957343676, 0.17972272762336444), abs=1e-9)
    low, high = binomial_funnel(0.1, np.array([50]), 0.998)
    assert (low[0], high[0]) == pytest.approx((-0.016119349565034736, 0.24012841875238997), abs=1e-9)


def test_laney_sigma_by_hand() -> None:
    """Laney, Quality Engineering 2002;14:531-537: mean moving range of the z-values over 1.128.

    Four samples of 100 with 10, 20, 10, 20 events: centre .15, z = -+.05 / sqrt(.15 * .85 / 100) = -+1.40028, each
    moving range 2.80056, so that sigma is 2.48276.
    """
    assert laney_sigma(np.array([10, 20, 10, 20]), np.full(4, 100)) == pytest.approx(2.80056 / 1.128, abs=1e-4)

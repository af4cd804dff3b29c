"""Limits of quality charts against printed numbers, or the formula they were computed from."""

from __future__ import annotations

import numpy as np
import pytest

from examtally.analytics.control_charts.funnel import binomial_funnel


def test_funnel_limits_of_50_at_a_target_of_one_in_ten() -> None:
    """Spiegelhalter, Stat Med 2005;24:1185-1202, appendix A.1.1, worked out in double precision."""
    low, high = binomial_funnel(0.1, np.array([50]), 0.95)
    assert (low[0], high[0]) == pytest.approx((0.013862926957343676, 0.17972272762336444), abs=1e-9)
    low, high = binomial_funnel(0.1, np.array([50]), 0.998)
    assert (low[0], high[0]) == pytest.approx((-0.016119349565034736, 0.24012841875238997), abs=1e-9)

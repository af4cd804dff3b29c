"""Two maneuvers on the same knees, one maneuver in two groups."""

from examtally.analytics.comparison.contrast import hybrid_interval
from examtally.analytics.comparison.paired import compare_predictive_values, mcnemar, swap_test
from examtally.analytics.comparison.rows import holm

__all__ = ["compare_predictive_values", "holm", "hybrid_interval", "mcnemar", "swap_test"]

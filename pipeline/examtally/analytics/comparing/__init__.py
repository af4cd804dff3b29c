"""Two maneuvers on the same knees, one maneuver in two groups."""

from examtally.analytics.comparing.difference import hybrid_interval, paired_difference
from examtally.analytics.comparing.mcnemar import mcnemar
from examtally.analytics.comparing.multiplicity import holm
from examtally.analytics.comparing.paired import compare_paired
from examtally.analytics.comparing.permutation import swap_test
from examtally.analytics.comparing.predictive import compare_predictive_values

__all__ = [
    "compare_paired",
    "compare_predictive_values",
    "holm",
    "hybrid_interval",
    "mcnemar",
    "paired_difference",
    "swap_test",
]

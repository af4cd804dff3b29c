"""Several maneuvers together: any-of and all-of, dependence, patterns of findings."""

from __future__ import annotations

from examtally.analytics.test_combinations.combinations import combine
from examtally.analytics.test_combinations.dependence import dependence
from examtally.analytics.test_combinations.joint import JointFindings
from examtally.analytics.test_combinations.patterns import patterns

__all__ = ["JointFindings", "combine", "dependence", "patterns"]

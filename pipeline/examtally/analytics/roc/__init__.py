"""Graded and measured maneuvers: thresholds, the area under the curve, and what each level means."""

from examtally.analytics.roc.area import area
from examtally.analytics.roc.levels import level_ratios

__all__ = ["area", "level_ratios"]

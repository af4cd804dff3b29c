"""Several maneuvers together, and history beside them: combinations, models, the short exam, decision curves."""

from __future__ import annotations

from examtally.analytics.together.combinations import combine, series_parallel
from examtally.analytics.together.dependence import dependence
from examtally.analytics.together.joint import Joint
from examtally.analytics.together.patterns import patterns

__all__ = ["Joint", "combine", "dependence", "patterns", "series_parallel"]

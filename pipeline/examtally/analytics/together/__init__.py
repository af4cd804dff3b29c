"""Several maneuvers together, and history beside them: combinations, models, the short exam, decision curves."""

from __future__ import annotations

from examtally.analytics.together.added import added_value
from examtally.analytics.together.combinations import combine, series_parallel
from examtally.analytics.together.crossfit import CrossFit, out_of_fold
from examtally.analytics.together.decision import avoided_per_100, decision_curve, net_benefit
from examtally.analytics.together.dependence import dependence
from examtally.analytics.together.folds import check_parts, deal
from examtally.analytics.together.joint import Joint
from examtally.analytics.together.optimism import optimism
from examtally.analytics.together.patterns import patterns
from examtally.analytics.together.ridge import fit_ridge
from examtally.analytics.together.short_exam import short_exams

__all__ = [
    "CrossFit",
    "Joint",
    "added_value",
    "avoided_per_100",
    "check_parts",
    "combine",
    "deal",
    "decision_curve",
    "dependence",
    "fit_ridge",
    "net_benefit",
    "optimism",
    "out_of_fold",
    "patterns",
    "series_parallel",
    "short_exams",
]

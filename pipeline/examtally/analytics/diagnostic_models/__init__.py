"""Models over history and maneuvers: out-of-fold forecasts, added value, the short exam, decision curves."""

from __future__ import annotations

from examtally.analytics.diagnostic_models.crossfit import CrossFit, check_parts, deal, out_of_fold
from examtally.analytics.diagnostic_models.decision import avoided_per_100, decision_curve, net_benefit
from examtally.analytics.diagnostic_models.influence import added_value
from examtally.analytics.diagnostic_models.optimism import optimism
from examtally.analytics.diagnostic_models.short_exam import short_exams

__all__ = [
    "CrossFit",
    "added_value",
    "avoided_per_100",
    "check_parts",
    "deal",
    "decision_curve",
    "net_benefit",
    "optimism",
    "out_of_fold",
    "short_exams",
]

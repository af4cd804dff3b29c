"""Accuracy where not every knee was verified: corrections, their models, and bounds that assume nothing."""

from __future__ import annotations

from examtally.analytics.verification.aipw import Figure, VerificationEstimate, aipw, ipw
from examtally.analytics.verification.begg_greenes import BeggGreenes, begg_greenes
from examtally.analytics.verification.bounds import IgnoranceBounds, ignorance_bounds
from examtally.analytics.verification.counts import VerificationCounts

__all__ = [
    "BeggGreenes",
    "Figure",
    "IgnoranceBounds",
    "VerificationCounts",
    "VerificationEstimate",
    "aipw",
    "begg_greenes",
    "ignorance_bounds",
    "ipw",
]

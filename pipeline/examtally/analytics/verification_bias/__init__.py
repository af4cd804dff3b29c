"""Accuracy where not every knee was verified: corrections, their models, and bounds that assume nothing."""

from __future__ import annotations

from examtally.analytics.verification_bias.aipw import Figure, VerificationEstimate, aipw, ipw
from examtally.analytics.verification_bias.begg_greenes import BeggGreenes, begg_greenes
from examtally.analytics.verification_bias.bounds import IgnoranceBounds, ignorance_bounds
from examtally.analytics.verification_bias.counts import VerificationCounts

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

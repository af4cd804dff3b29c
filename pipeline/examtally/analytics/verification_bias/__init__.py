"""Accuracy where not every knee was verified: corrections, their models, and bounds that assume nothing."""

from __future__ import annotations

from examtally.analytics.verification_bias.aipw import Figure, VerificationEstimate, aipw, ipw
from examtally.analytics.verification_bias.counts import VerificationCounts

__all__ = ["Figure", "VerificationCounts", "VerificationEstimate", "aipw", "ipw"]

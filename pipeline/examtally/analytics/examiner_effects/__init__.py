"""Pooling of examiners: what each figure tells once chance is taken out, and how far examiners differ."""

from __future__ import annotations

from examtally.analytics.examiner_effects.figures import Pooled, Shrunken, Spread
from examtally.analytics.examiner_effects.fit import pool_counts, pool_estimates
from examtally.analytics.examiner_effects.hyper import Prior

__all__ = ["Pooled", "Prior", "Shrunken", "Spread", "pool_counts", "pool_estimates"]

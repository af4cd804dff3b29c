"""Bounds of one table that assume nothing of who was verified, against which the tables of the package are held."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from examtally.analytics.diagnostic_accuracy.proportions import wilson
from examtally.analytics.intervals import FloatArray
from examtally.analytics.verification_bias.counts import CORNERS, KINDS, VerificationCounts


@dataclass(frozen=True)
class IgnoranceBounds:
    """Smallest and largest value the data allow, and the interval (`_ci`) that holds that whole region at `level`.

    None where the denominator could be empty.
    """

    sens_min: float | None
    sens_max: float | None
    spec_min: float | None
    spec_max: float | None
    sens_ci: tuple[float, float] | None
    spec_ci: tuple[float, float] | None
    level: float


def ignorance_bounds(counts: VerificationCounts, level: float = 0.95) -> IgnoranceBounds:
    """Bound sensitivity and specificity whatever decided who was verified.

    Sensitivity lies between TP/(TP+FN+U−) and (TP+U+)/(TP+U++FN), specificity between TN/(TN+FP+U+) and
    (TN+U−)/(TN+U−+FP). The interval for the region runs from the Wilson limit below the lower end to that above the
    upper end, each missed with probability (1 − level)/2 at most. Knees count as independent.

    Source: Kosinski AS, Barnhart HX. Stat Med 2003;22:2711–2721; Imbens GW, Manski CF. Econometrica 2004;72:1845–1857,
    section 2 (interval for the region).

    >>> found = ignorance_bounds(VerificationCounts(231, 32, 166, 27, 54, 140))
    >>> f"{found.sens_min:.4f} {found.sens_max:.4f} {found.spec_min:.4f} {found.spec_max:.4f}"
    '0.5804 0.9363 0.2143 0.8584'
    """
    six = np.array([[getattr(counts, kind) for kind in KINDS]])
    ends = {corner: corner_share(six, *corner) for corner in CORNERS}

    def end(measure: str, which: str) -> float | None:
        events, n = ends[measure, which]
        return float(events[0] / n[0]) if n[0] > 0 else None

    def region(measure: str) -> tuple[float, float] | None:
        below, above = (wilson(*ends[measure, which], level) for which in ("lower", "upper"))
        limits = float(below.low[0]), float(above.high[0])
        return limits if np.isfinite(limits).all() else None

    return IgnoranceBounds(
        sens_min=end("sensitivity", "lower"),
        sens_max=end("sensitivity", "upper"),
        spec_min=end("specificity", "lower"),
        spec_max=end("specificity", "upper"),
        sens_ci=region("sensitivity"),
        spec_ci=region("specificity"),
        level=level,
    )


def corner_share(counts: FloatArray, measure: str, which: str) -> tuple[FloatArray, FloatArray]:
    """Events and denominator of one end of a measure, from (rows, 6) counts in the order of KINDS."""
    events, others = CORNERS[measure, which]
    total = counts[:, events].sum(axis=1)
    return total, total + counts[:, others].sum(axis=1)

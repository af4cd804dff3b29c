"""P values of a family of tests, adjusted for their number."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from examtally.analytics.intervals import FloatArray


def holm(p: npt.ArrayLike) -> FloatArray:
    """Holm's step-down adjustment of the p values of one family, (k,); NaN (no test made) stays NaN and does not count.

    Source: Holm S. Scand J Stat 1979;6:65–70.

    >>> holm([0.01, 0.04, 0.03, float("nan")])
    array([0.03, 0.06, 0.06,  nan])
    """
    values = np.asarray(p, dtype=np.float64)
    known = np.flatnonzero(~np.isnan(values))
    order = known[np.argsort(values[known], kind="stable")]
    steps = np.maximum.accumulate(values[order] * np.arange(known.size, 0, -1)) if known.size else values[order]
    adjusted = np.full(values.shape, np.nan)
    adjusted[order] = np.minimum(steps, 1.0)
    return adjusted

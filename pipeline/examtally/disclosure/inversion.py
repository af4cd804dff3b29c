"""Which counts a rounded proportion with its interval can come from."""

from __future__ import annotations

import numpy as np
from statsmodels.stats.proportion import proportion_confint

from examtally.disclosure.bounds import UNBOUNDED, Range

MOST_KNEES = 1000


def counts_behind(estimate: float, low: float | None, high: float | None, level: float) -> tuple[Range, Range]:
    """Range of the numerator and of the rest of the denominator that give these figures, rounded to two decimals.

    Every count up to 1,000 knees is tried. Without limits, or where no simple Wilson interval fits them (clustered
    data), the estimate alone is used. Returns the unbounded range where nothing fits.
    """
    total = np.arange(1, MOST_KNEES + 1)[:, None]
    part = np.arange(0, MOST_KNEES + 1)[None, :]
    fits = (part <= total) & _rounds_to(part / total, estimate)
    if low is not None and high is not None:
        lower, upper = proportion_confint(
            np.minimum(part, total), np.broadcast_to(total, fits.shape), 1 - level, "wilson"
        )
        close = fits & _rounds_to(lower, low) & _rounds_to(upper, high)
        fits = close if close.any() else fits
    if not fits.any():
        return Range(0, UNBOUNDED), Range(0, UNBOUNDED)
    parts = np.broadcast_to(part, fits.shape)[fits]
    rest = (total - part)[fits]
    return Range(int(parts.min()), int(parts.max())), Range(int(rest.min()), int(rest.max()))


def _rounds_to(values: np.ndarray, shown: float) -> np.ndarray:
    close: np.ndarray = np.abs(values - shown) <= 0.005 + 1e-9
    return close

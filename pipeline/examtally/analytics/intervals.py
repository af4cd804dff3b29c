"""What every interval method returns, and the quantiles they share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri, stdtrit

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
TextArray = npt.NDArray[np.str_]


@dataclass(frozen=True)
class Interval:
    """Two-sided limits, one pair a row: NaN where a limit cannot be estimated, infinite where it is unbounded."""

    low: FloatArray
    high: FloatArray


def normal_quantile(level: float) -> float:
    """Return z with P(|Z| <= z) = `level`; `level` lies between 0 and 1.

    >>> round(normal_quantile(0.95), 4)
    1.96
    """
    if not 0.0 < level < 1.0:
        raise ValueError("level must lie between 0 and 1, as 0.95")
    return float(ndtri((1.0 + level) / 2.0))


def t_quantile(level: float, df: npt.ArrayLike) -> FloatArray:
    """Return t with P(|T| <= t) = `level` on `df` degrees of freedom; NaN where `df` is below 1.

    >>> t_quantile(0.95, [0, 10]).round(3)
    array([  nan, 2.228])
    """
    freedom = np.asarray(df, dtype=np.float64)
    usable = freedom >= 1.0
    quantile = stdtrit(np.where(usable, freedom, 1.0), (1.0 + level) / 2.0)
    return np.where(usable, quantile, np.nan)

"""McNemar's test of two proportions found on the same knees."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import binom, chi2

from examtally.analytics.intervals import FloatArray


@dataclass(frozen=True)
class McNemar:
    """Chi-squared statistics without and with continuity correction (NaN without a discordant knee), and p values."""

    statistic: FloatArray
    statistic_corrected: FloatArray
    p_asymptotic: FloatArray
    p_corrected: FloatArray
    p_exact: FloatArray
    p_midp: FloatArray


def mcnemar(only_a: npt.ArrayLike, only_b: npt.ArrayLike) -> McNemar:
    """Test whether a counts as often alone as b does.

    `only_a`, `only_b`: knees that count for one and not for the other, whole numbers of one shape (ValueError for
    others). Without any the exact and mid-p values are 1. Two-sided throughout; where both are equal the mid-p value is
    1 - P(X = only_a)/2.

    Source: McNemar Q. Psychometrika 1947;12:153–157; exact and mid-p: Fagerland MW, Lydersen S, Laake P. BMC Med Res
    Methodol 2013;13:91, eq. 2–5.

    >>> test = mcnemar(150, 86)
    >>> f"{test.statistic:.2f} {test.p_exact:.3g} {test.p_midp:.3g}"
    '17.36 3.72e-05 2.89e-05'
    """
    b, c = np.broadcast_arrays(np.asarray(only_a, dtype=np.float64), np.asarray(only_b, dtype=np.float64))
    if np.any((b < 0) | (c < 0) | (b != np.floor(b)) | (c != np.floor(c))):
        raise ValueError("only_a and only_b are counts: whole numbers, 0 or more")
    n, fewer = b + c, np.minimum(b, c)
    with np.errstate(divide="ignore", invalid="ignore"):
        plain = (b - c) ** 2 / n
        corrected = np.maximum(np.abs(b - c) - 1, 0) ** 2 / n
    tail, at = binom.cdf(fewer, n, 0.5), binom.pmf(fewer, n, 0.5)
    midp = np.where(b == c, 1 - at / 2, 2 * tail - at)
    return McNemar(
        statistic=plain,
        statistic_corrected=corrected,
        p_asymptotic=chi2.sf(plain, 1),
        p_corrected=chi2.sf(corrected, 1),
        p_exact=np.minimum(2 * tail, 1.0),
        p_midp=np.where(n == 0, 1.0, midp),
    )

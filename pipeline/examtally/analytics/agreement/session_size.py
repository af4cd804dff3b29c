"""How many subjects and examiners an agreement day needs for an interval of a wanted half-width.

Every subject is examined once by every examiner. For findings the number x of k examiners who call a subject positive
is taken as beta-binomial with mean `positive` and intraclass correlation equal to kappa (the common correlation model);
the variance of kappa and of AC1 follows from what one subject adds (its influence), summed over x = 0 … k.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.stats import betabinom, binom
from scipy.stats import t as t_distribution

from examtally.analytics.calibration.forecasts import IntArray
from examtally.analytics.intervals import FloatArray
from examtally.analytics.sample_size import quantile

STATISTICS = ("kappa", "ac1", "icc")
_MOST = 10_000


@dataclass(frozen=True)
class SessionSize:
    """Subjects for so many examiners, and the half-width they give; `subjects` is None where no day could."""

    examiners: int
    subjects: int | None
    half_width: float | None

    @property
    def exams(self) -> int | None:
        """Examinations altogether."""
        return None if self.subjects is None else self.subjects * self.examiners


def session_size(
    statistic: str, value: float, width: float, examiners: int, positive: float = 0.5, level: float = 0.95
) -> SessionSize:
    """The least number of subjects whose interval of `statistic` (kappa, ac1, icc) has half-width `width` or less.

    `value` is the agreement that is expected, `positive` the expected share of positive findings (not for icc).
    ValueError names an argument that is not legal.
    """
    _check(statistic, value, width, examiners, positive)
    if statistic == "icc":
        return _of_icc(value, width, examiners, level)
    variance = agreement_variance(statistic, value, positive, examiners)
    sizes = np.arange(3, _MOST + 1)
    half = t_distribution.ppf((1 + level) / 2, sizes - 1) * np.sqrt(variance / sizes)
    return _first(sizes, half, width, examiners)


def agreement_variance(statistic: str, value: float, positive: float, examiners: int) -> float:
    """Variance of kappa or AC1 of k examiners times the number of subjects.

    With two examiners that of kappa is the one of Bloch and Kraemer 1989 (`sample_size.kappa_variance`).

    Source: Fleiss' kappa as an intraclass correlation: Landis JR, Koch GG. Biometrics 1977;33:671-679; AC1: Gwet KL.
    Br J Math Stat Psychol 2008;61:29-48; influence: Hampel FR. J Am Stat Assoc 1974;69:383-393.
    """
    kappa = value if statistic == "kappa" else kappa_of_ac1(value, positive)
    called = np.arange(examiners + 1)
    chance = _calls(kappa, positive, examiners)
    agreeing = 1 - 2 * called * (examiners - called) / (examiners * (examiners - 1))
    share = called / examiners
    observed = float(chance @ agreeing)
    alike = 2 * positive * (1 - positive)
    by_chance, slope = (1 - alike, 4 * positive - 2) if statistic == "kappa" else (alike, 2 - 4 * positive)
    room = 1 - by_chance
    influence = (agreeing - observed) / room - (1 - observed) / room**2 * slope * (share - positive)
    return float(chance @ influence**2)


def kappa_of_ac1(value: float, positive: float) -> float:
    """The intraclass kappa at which AC1 has this value, for this share of positive findings."""
    chance = 2 * positive * (1 - positive)
    return 1 - (1 - value) * (1 - chance) / chance


def icc_half_width(value: float, examiners: int, subjects: FloatArray, level: float = 0.95) -> FloatArray:
    """Half-width of the interval of an intraclass correlation (one-way), for each number of subjects.

    Source: Bonett DG. Stat Med 2002;21:1331-1335 (n = 8 z^2 (1 - r)^2 (1 + (k - 1) r)^2 / (k (k - 1) w^2) + 1, w the
    whole width).
    """
    k, z = examiners, quantile((1 - level) / 2)
    return np.asarray(z * np.sqrt(2 / (k * (k - 1) * (subjects - 1))) * (1 - value) * (1 + (k - 1) * value))


def _of_icc(value: float, width: float, examiners: int, level: float) -> SessionSize:
    sizes = np.arange(3, _MOST + 1)
    return _first(sizes, icc_half_width(value, examiners, sizes.astype(np.float64), level), width, examiners)


def _first(sizes: IntArray, half: FloatArray, width: float, examiners: int) -> SessionSize:
    enough = np.flatnonzero(half <= width + 1e-12)
    if not enough.size:
        return SessionSize(examiners, None, None)
    return SessionSize(examiners, int(sizes[enough[0]]), float(half[enough[0]]))


def _calls(kappa: float, positive: float, examiners: int) -> FloatArray:
    """Chance that 0 … k examiners call a subject positive."""
    called = np.arange(examiners + 1)
    if kappa < 1e-9:
        return np.asarray(binom.pmf(called, examiners, positive))
    scale = (1 - kappa) / kappa
    return np.asarray(betabinom.pmf(called, examiners, positive * scale, (1 - positive) * scale))


def _check(statistic: str, value: float, width: float, examiners: int, positive: float) -> None:
    rules: dict[str, Callable[[], bool]] = {
        f"statistic must be one of {', '.join(STATISTICS)}": lambda: statistic in STATISTICS,
        "value must lie above 0 and below 1": lambda: 0 < value < 1,
        "half-width must lie above 0 and below 1": lambda: 0 < width < 1,
        "positive must lie above 0 and below 1": lambda: 0 < positive < 1,
        "examiners must be 2 to 50": lambda: 2 <= examiners <= 50,
        "so low an AC1 cannot be with such a share of positive findings; state a higher AC1 or another share": (
            lambda: statistic != "ac1" or kappa_of_ac1(value, positive) >= 0
        ),
    }
    for words, is_kept in rules.items():
        if not is_kept():
            raise ValueError(words)

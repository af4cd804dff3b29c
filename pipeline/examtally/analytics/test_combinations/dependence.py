"""How far two findings go together beyond what their own frequencies would give, with and without the condition."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from examtally.analytics.intervals import FloatArray, normal_quantile
from examtally.analytics.test_combinations.combinations import covariance_limits
from examtally.analytics.test_combinations.joint import IntArray, JointFindings

_NOTHING = 1e-12


@dataclass(frozen=True)
class Dependence:
    """Two maneuvers on n knees with the condition, or n without; None where nothing can be said.

    `observed` is the share with both positive, `if_independent` the product of the two shares, `covariance` their
    difference, `phi` the correlation with limits `ci_low` and `ci_high`.
    """

    given: str
    n: int
    participants: int
    observed: float | None
    if_independent: float | None
    covariance: float | None
    covariance_low: float | None
    covariance_high: float | None
    phi: float | None
    ci_low: float | None
    ci_high: float | None


def dependence(joint: JointFindings, given: str, level: float = 0.95) -> Dependence:
    """Measure the dependence of the two maneuvers of `joint` given that the condition is `present` or `absent`.

    Knees where either gave no finding are left out. `covariance_low` and `covariance_high` are the least and the most
    that the two shares allow. Limits of phi: Fisher's z with the influence of each knee summed over participants,
    m/(m-1). phi and its limits are None where either finding is the same in every knee; the limits also where fewer
    than two people, or a phi of -1 or 1, leave no spread.

    Source: Gardner 2000, section 2.2 (covariance); Vacek PM. Biometrics 1985;41:959-968; Fisher's z with the influence
    function of a correlation (Devlin SJ, Gnanadesikan R, Kettenring JR. Biometrika 1975;62:531-545).

    >>> findings = [[1, 1]] * 30 + [[0, 0]] * 10 + [[1, 0]] * 5 + [[0, 1]] * 5
    >>> found = dependence(JointFindings.of(findings, [1] * 50), "present")
    >>> round(found.covariance, 4), round(found.phi, 4)
    (0.11, 0.5238)
    """
    if len(joint.maneuvers) != 2 or given not in ("present", "absent"):
        raise ValueError("two maneuvers are compared, given present or absent")
    whole = joint.among(joint.maneuvers)
    kept = whole.present if given == "present" else ~whole.present
    x, y = (whole.findings[kept] > 0).astype(np.float64).T
    who = np.unique(whole.participant[kept], return_inverse=True)[1].astype(np.int64)
    people = int(who.max(initial=-1)) + 1
    if not x.size:
        return Dependence(given, 0, 0, *(None,) * 8)
    first, second, both = float(x.mean()), float(y.mean()), float((x * y).mean())
    low, high = covariance_limits(first, second)
    covariance = both - first * second
    phi: float | None = None
    limits: tuple[float | None, float | None] = (None, None)
    if x.std() > _NOTHING and y.std() > _NOTHING:
        zx, zy = (x - first) / x.std(), (y - second) / y.std()
        phi = float(np.clip((zx * zy).mean(), -1.0, 1.0))
        limits = _limits(phi, zx * zy - phi / 2 * (zx**2 + zy**2), who, people, level)
    return Dependence(given, x.size, people, both, first * second, covariance, low, high, phi, *limits)


def _limits(
    phi: float, influence: FloatArray, who: IntArray, people: int, level: float
) -> tuple[float | None, float | None]:
    """Limits of a correlation on Fisher's scale, the influence summed over people."""
    if people < 2 or 1 - abs(phi) < _NOTHING:
        return None, None
    summed = np.bincount(who, weights=influence, minlength=people)
    variance = people / (people - 1) * float((summed**2).sum()) / influence.size**2
    half = normal_quantile(level) * np.sqrt(variance) / (1 - phi**2)
    centre = np.arctanh(phi)
    return float(np.tanh(centre - half)), float(np.tanh(centre + half))

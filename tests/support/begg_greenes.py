"""Sensitivity and specificity corrected for verification that depends on the finding alone."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, sqrt

from examtally.analytics.intervals import normal_quantile
from examtally.analytics.verification_bias.counts import VerificationCounts

Limits = tuple[float, float]


@dataclass(frozen=True)
class BeggGreenes:
    """Corrected figures of one maneuver; None where a figure cannot be given, and `note` says why.

    `expected_positive` and `expected_negative` are the knees with the condition to be expected among all knees with a
    positive and with a negative finding, verified or not. `_logit` limits come from the logit scale, `_wald` limits
    are estimate ± z·se, not cut off.
    """

    sensitivity: float | None
    specificity: float | None
    prevalence: float | None
    ppv: float | None
    npv: float | None
    se_sens: float | None
    se_spec: float | None
    var_logit_sens: float | None
    var_logit_spec: float | None
    sens_logit: Limits | None
    spec_logit: Limits | None
    sens_wald: Limits | None
    spec_wald: Limits | None
    expected_positive: float | None
    expected_negative: float | None
    level: float
    note: str


def begg_greenes(counts: VerificationCounts, level: float = 0.95) -> BeggGreenes:
    """Correct for selective verification, given that it depends on nothing but the maneuver's own result.

    Where other findings drive imaging as well, the result can lie further from the truth than the naive figure. None
    where no knee with a positive, or with a negative, finding was verified, and for a figure that would come out as 0
    or 1 because a cell is empty. Knees count as independent; `level` lies between 0 and 1.

    Source: Begg CB, Greenes RA. Biometrics 1983;39:207–215, eq. 3–4; variance of the logit: Zhou XH. Stat Methods Med
    Res 1998;7:337–353: N/(n1·n0) + r1/(s1(s1+r1)) + r0/(s0(s0+r0)) for sensitivity, s and r exchanged for specificity.

    >>> liver = VerificationCounts(231, 32, 166, 27, 54, 140)  # Drum & Christacopoulos, J Nucl Med 1972
    >>> found = begg_greenes(liver)
    >>> f"{found.sensitivity:.3f} {found.specificity:.3f} {found.se_sens:.4f} {found.se_spec:.4f}"
    '0.836 0.738 0.0245 0.0389'
    """
    z = normal_quantile(level)
    if counts.obstacle:
        nothing = dict.fromkeys(BeggGreenes.__dataclass_fields__)
        return BeggGreenes(**nothing | {"level": level, "note": counts.obstacle})  # type: ignore[arg-type]
    s1, r1, s0, r0 = counts.positive_present, counts.positive_absent, counts.negative_present, counts.negative_absent
    n1, n0 = counts.positive, counts.negative
    present1, present0 = n1 * s1 / (s1 + r1), n0 * s0 / (s0 + r0)
    total = n1 + n0
    sens, var_sens = _share(present1, present0, s1, r1, s0, r0, total / (n1 * n0))
    spec, var_spec = _share(n0 - present0, n1 - present1, r0, s0, r1, s1, total / (n1 * n0))
    empty = [
        f"{name} would come out as 0 or 1, or not at all, because a cell is empty."
        for name, value in (("Sensitivity", sens), ("Specificity", spec))
        if value is None
    ]
    return BeggGreenes(
        sensitivity=sens,
        specificity=spec,
        prevalence=_inside((present1 + present0) / total),
        ppv=_inside(s1 / (s1 + r1)),
        npv=_inside(r0 / (s0 + r0)),
        se_sens=_standard_error(sens, var_sens),
        se_spec=_standard_error(spec, var_spec),
        var_logit_sens=var_sens,
        var_logit_spec=var_spec,
        sens_logit=_logit_limits(sens, var_sens, z),
        spec_logit=_logit_limits(spec, var_spec, z),
        sens_wald=_wald_limits(sens, _standard_error(sens, var_sens), z),
        spec_wald=_wald_limits(spec, _standard_error(spec, var_spec), z),
        expected_positive=present1,
        expected_negative=present0,
        level=level,
        note=" ".join(empty),
    )


def _share(
    events: float, others: float, s1: float, r1: float, s0: float, r0: float, sampling: float
) -> tuple[float | None, float | None]:
    """Share of events and the variance of its logit; None where either side is empty."""
    if not s1 or not s0:
        return None, None
    return events / (events + others), sampling + r1 / (s1 * (s1 + r1)) + r0 / (s0 * (s0 + r0))


def _inside(share: float) -> float | None:
    return share if 0 < share < 1 else None


def _standard_error(share: float | None, variance: float | None) -> float | None:
    return None if share is None or variance is None else share * (1 - share) * sqrt(variance)


def _logit_limits(share: float | None, variance: float | None, z: float) -> Limits | None:
    if share is None or variance is None:
        return None
    centre, half = log(share / (1 - share)), z * sqrt(variance)
    return 1 / (1 + exp(half - centre)), 1 / (1 + exp(-half - centre))


def _wald_limits(share: float | None, error: float | None, z: float) -> Limits | None:
    return None if share is None or error is None else (share - z * error, share + z * error)

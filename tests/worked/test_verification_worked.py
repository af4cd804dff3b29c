"""Partial verification against printed figures.

Liver scintigraphy: Drum DE, Christacopoulos JS. J Nucl Med 1972;13:908–915, as corrected by Begg & Greenes, Biometrics
1983;39:207–215 (0.836, 0.738); variance by Zhou, Stat Methods Med Res 1998;7:337–353.
"""

from __future__ import annotations

import numpy as np
import pytest
from begg_greenes import begg_greenes
from ignorance_bounds import ignorance_bounds

from examtally.analytics.verification_bias.aipw import aipw, ipw
from examtally.analytics.verification_bias.counts import VerificationCounts

LIVER = VerificationCounts(231, 32, 166, 27, 54, 140)


def knees(counts: VerificationCounts) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Finding, condition and verification of every knee behind the counts."""
    kinds = [(1, 1, 1), (1, 0, 1), (1, np.nan, 0), (0, 1, 1), (0, 0, 1), (0, np.nan, 0)]
    numbers = [int(getattr(counts, name)) for name in counts.__dataclass_fields__]
    test, disease, verified = np.repeat(np.array(kinds), numbers, axis=0).T
    return test, disease, verified


def test_liver_scan_corrected() -> None:
    found = begg_greenes(LIVER)
    assert found.sensitivity == pytest.approx(0.8364667154352596, abs=1e-12)
    assert found.specificity == pytest.approx(0.7383980181668042, abs=1e-12)
    assert found.prevalence == pytest.approx(0.6930291508238277, abs=1e-12)
    assert (found.ppv, found.npv) == pytest.approx((0.8783269961977186, 2 / 3), abs=1e-12)
    assert (found.se_sens, found.se_spec) == pytest.approx((0.024498031263247712, 0.038862679922539195), abs=1e-12)
    assert found.sens_wald == pytest.approx((0.7884514564671579, 0.8844819744033614), abs=1e-9)
    assert found.spec_wald == pytest.approx((0.6622285651759194, 0.8145674711576889), abs=1e-9)
    assert found.sens_logit == pytest.approx((0.782646518497574, 0.8790201900636532), abs=1e-9)
    assert found.spec_logit == pytest.approx((0.6555077130173668, 0.8072095168392743), abs=1e-9)
    assert (found.expected_positive, found.expected_negative) == pytest.approx((376.8022813688213, 73.66666666666666))
    assert (round(found.sensitivity, 3), round(found.specificity, 3)) == (0.836, 0.738)  # as printed


def test_liver_scan_bounds() -> None:
    """Corners of the region by the formula of Kosinski & Barnhart, Stat Med 2003;22:2711–2721."""
    found = ignorance_bounds(LIVER)
    ends = (found.sens_min, found.sens_max, found.spec_min, found.spec_max)
    expected = (0.5804020100502513, 0.9363207547169812, 0.21428571428571427, 0.8584070796460177)
    assert ends == pytest.approx(expected, abs=1e-12)
    assert found.sens_ci is not None
    assert found.spec_ci is not None
    assert found.sens_ci[0] < ends[0] < ends[1] < found.sens_ci[1]
    assert found.spec_ci[0] < ends[2] < ends[3] < found.spec_ci[1]


def test_weights_saturated_in_the_finding_are_begg_and_greenes() -> None:
    """Weights 429/263 and 221/81: an identity."""
    found = ipw(*knees(LIVER))
    assert found.max_weight == pytest.approx(2.728395061728395, abs=1e-12)
    assert found.sensitivity is not None
    assert found.specificity is not None
    assert found.sensitivity.estimate == pytest.approx(0.8364667154352596, abs=1e-10)
    assert found.specificity.estimate == pytest.approx(0.7383980181668043, abs=1e-10)


def test_doubly_robust_saturated_in_the_finding_is_begg_and_greenes() -> None:
    found, printed = aipw(*knees(LIVER)), begg_greenes(LIVER)
    factor = np.sqrt(650 / 649)
    for figure, estimate, error in (
        (found.sensitivity, printed.sensitivity, printed.se_sens),
        (found.specificity, printed.specificity, printed.se_spec),
        (found.ppv, printed.ppv, None),
        (found.npv, printed.npv, None),
        (found.prevalence, printed.prevalence, None),
    ):
        assert figure is not None
        assert figure.estimate == pytest.approx(estimate, abs=1e-8)
        if error is not None:
            assert figure.se / factor == pytest.approx(error, rel=1e-8)

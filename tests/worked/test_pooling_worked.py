"""The bivariate models against printed figures.

Telomerase for bladder cancer, ten studies: Glas AS et al. J Urol 2003, as used by Riley RD et al. BMC Med Res Methodol
2007;7:3, whose correlation is -1; model of Reitsma JB et al. J Clin Epidemiol 2005;58:982-990. Digits beyond the print
were recomputed with another program.
"""

from __future__ import annotations

import numpy as np
import pytest

from examtally.analytics.examiner_effects.fit import pool_counts
from examtally.analytics.examiner_effects.maximum_likelihood import fit_counts, fit_estimates

TELOMERASE = np.array(
    [
        [25, 1, 8, 25], [17, 3, 4, 11], [88, 16, 16, 80], [16, 3, 10, 137], [40, 1, 17, 24],
        [38, 6, 9, 12], [23, 0, 19, 18], [27, 2, 6, 20], [14, 3, 3, 29], [37, 22, 7, 7],
    ]
)  # fmt: skip


def logits() -> tuple[np.ndarray, np.ndarray]:
    """Logits and variances with a half added to every cell of every study."""
    tp, fp, fn, tn = (TELOMERASE + 0.5).T
    within = np.zeros((10, 2, 2))
    within[:, 0, 0], within[:, 1, 1] = 1 / tp + 1 / fn, 1 / tn + 1 / fp
    return np.column_stack([np.log(tp / fn), np.log(tn / fp)]), within


def test_telomerase_by_maximum_likelihood() -> None:
    found = fit_estimates(*logits())
    assert found.mean == pytest.approx((1.140608887522052, 1.9429084099618186), abs=1e-3)
    assert found.se == pytest.approx((0.17680079479571145, 0.4783138777769559), abs=1e-3)
    assert found.mean_covariance == pytest.approx(-0.057250818457600744, abs=1e-3)
    assert found.variance == pytest.approx((0.17478606196124327, 1.8890343006097714), abs=1e-3)
    assert found.covariance == pytest.approx(-0.5746101863988221, abs=1e-3)
    assert found.log_likelihood == pytest.approx(-22.079353174126027, abs=1e-4)
    assert found.correlation == pytest.approx(-1, abs=1e-3)
    assert found.is_at_boundary
    assert (found.sensitivity, found.specificity) == pytest.approx((0.757791413944928, 0.874671315048523), abs=1e-3)


def test_telomerase_by_restricted_maximum_likelihood() -> None:
    found = fit_estimates(*logits(), restricted=True)
    assert found.mean == pytest.approx((1.1399792464451228, 1.9474048315892036), abs=1e-3)
    assert found.se == pytest.approx((0.1840166681616538, 0.503587211037265), abs=1e-3)
    assert found.variance == pytest.approx((0.1998543273551248, 2.1319711140709274), abs=2e-3)
    assert found.correlation == pytest.approx(-0.9844487475251305, abs=1e-3)
    assert found.log_likelihood == pytest.approx(-22.98548823601361, abs=1e-3)


def test_telomerase_by_binomial_likelihood_at_the_boundary() -> None:
    """Undamped Newton steps end at 2.14 with a standard error of 1e-4; the maximum is 2.27 with 0.58."""
    found = fit_counts(*TELOMERASE.T)
    assert found.mean[1] == pytest.approx(2.27, abs=0.02)
    assert found.se[1] == pytest.approx(0.58, abs=0.03)
    assert found.correlation == pytest.approx(-1, abs=1e-3)


def test_telomerase_pooled_lies_near_maximum_likelihood_and_inside_the_correlation() -> None:
    pooled, found = pool_counts(*TELOMERASE.T), fit_counts(*TELOMERASE.T)
    assert pooled.sensitivity_spread is not None
    assert pooled.specificity_spread is not None
    assert pooled.sensitivity_spread.mean == pytest.approx(found.sensitivity, abs=0.02)
    assert pooled.specificity_spread.mean == pytest.approx(found.specificity, abs=0.02)
    assert -1 < (pooled.sensitivity_spread.correlation or 0) < -0.3

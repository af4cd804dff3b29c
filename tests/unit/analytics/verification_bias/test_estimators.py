"""The corrections on plain arrays: what must not change them, what they refuse, and what they recover."""

from __future__ import annotations

import numpy as np
import pytest
from begg_greenes import begg_greenes
from ignorance_bounds import ignorance_bounds
from selective import Imaging, draw

from examtally.analytics.verification_bias.aipw import VerificationEstimate, aipw, ipw
from examtally.analytics.verification_bias.counts import VerificationCounts

BY_ALL = Imaging(-2.4, (1.0, 1.0, 1.0), effusion=1.2, acute=0.9)
SHARES = ("sensitivity", "specificity", "prevalence", "ppv", "npv")


@pytest.fixture(scope="module")
def knees() -> dict[str, np.ndarray]:
    drawn = draw(1500, BY_ALL, np.random.default_rng(3))
    return {
        "test": drawn.findings[:, 0].astype(float),
        "disease": drawn.present.astype(float),
        "verified": drawn.verified.astype(float),
        "covariates": drawn.covariates,
        "cluster": drawn.person,
    }


def estimates(found: VerificationEstimate) -> list[float]:
    return [getattr(found, name).estimate for name in SHARES]


@pytest.mark.parametrize("estimator", [aipw, ipw])
def test_row_order_is_nothing(estimator, knees: dict[str, np.ndarray]) -> None:  # type: ignore[no-untyped-def]
    shuffled = np.random.default_rng(1).permutation(1500)
    once, again = estimator(**knees), estimator(**{name: values[shuffled] for name, values in knees.items()})
    assert estimates(again) == pytest.approx(estimates(once), abs=1e-9)
    assert again.sensitivity.se == pytest.approx(once.sensitivity.se, rel=1e-9)


def test_turning_finding_and_condition_round_swaps_sensitivity_and_specificity(knees: dict[str, np.ndarray]) -> None:
    knees = knees | {"covariates": knees["covariates"][:, 1:]}
    once = aipw(**knees)
    turned = aipw(**knees | {"test": 1 - knees["test"], "disease": 1 - knees["disease"]})
    assert once.sensitivity is not None
    assert turned.specificity is not None
    assert turned.specificity.estimate == pytest.approx(once.sensitivity.estimate, abs=1e-8)
    assert turned.specificity.ci_low == pytest.approx(once.sensitivity.ci_low, abs=1e-8)


def test_what_stands_where_nothing_was_verified_is_not_looked_at(knees: dict[str, np.ndarray]) -> None:
    other = np.where(knees["verified"] > 0, knees["disease"], np.nan)
    assert estimates(aipw(**knees | {"disease": other})) == estimates(aipw(**knees))


def test_limits_hold_the_estimate_and_widen_with_the_level(knees: dict[str, np.ndarray]) -> None:
    for estimator in (aipw, ipw):
        wide, narrow = estimator(**knees, level=0.99), estimator(**knees, level=0.8)
        for name in (*SHARES, "lr_positive", "lr_negative"):
            low, high = getattr(narrow, name), getattr(wide, name)
            assert high.ci_low < low.ci_low < low.estimate < low.ci_high < high.ci_high


def test_with_everything_verified_nothing_is_corrected(knees: dict[str, np.ndarray]) -> None:
    found = aipw(**knees | {"verified": np.ones(1500)})
    assert found.sensitivity is not None
    share = knees["test"][knees["disease"] > 0].mean()
    assert found.sensitivity.estimate == pytest.approx(share, abs=1e-9)
    # Bilateral knees: m/(m-1) times the participant-summed squares of (T - Se) among those with the condition
    residual = np.where(knees["disease"] > 0, knees["test"] - share, 0.0)
    sums = np.bincount(knees["cluster"], residual)
    variance = sums.size / (sums.size - 1) * (sums**2).sum() / knees["disease"].sum() ** 2
    assert found.sensitivity.se == pytest.approx(variance**0.5, rel=1e-9)
    assert found.max_weight == 1
    assert found.ess_weights == pytest.approx(1500)


def test_likelihood_ratios_carry_the_covariance(knees: dict[str, np.ndarray]) -> None:
    """Var(log LR+) = Var(log Se) + Var(log(1 - Sp)) - 2 Cov, from the logit variances and their covariance."""
    found = aipw(**knees)
    sens, spec, ratio = found.sensitivity, found.specificity, found.lr_positive
    assert sens is not None
    assert spec is not None
    assert ratio is not None
    assert found.covariance is not None
    assert ratio.estimate == pytest.approx(sens.estimate / (1 - spec.estimate))
    variance = (sens.se / sens.estimate) ** 2 + (spec.se / (1 - spec.estimate)) ** 2
    variance += 2 * found.covariance * (1 - sens.estimate) * spec.estimate
    assert ratio.se / ratio.estimate == pytest.approx(variance**0.5, rel=1e-9)


def test_doubly_robust_is_right_with_one_model_wrong() -> None:
    """A covariate drives imaging and condition but enters one model only: each alone suffices, up to chance."""
    rng = np.random.default_rng(8)
    n = 200_000
    cause = rng.random(n) < 0.4
    disease = rng.random(n) < np.where(cause, 0.6, 0.15)
    test = rng.random(n) < np.where(disease, 0.8, 0.1)
    verified = rng.random(n) < np.where(cause, 0.7, 0.15)
    both, none = aipw(test, disease, verified, cause[:, None]), aipw(test, disease, verified)
    assert both.sensitivity is not None
    assert none.sensitivity is not None
    assert both.sensitivity.estimate == pytest.approx(0.8, abs=0.01)
    assert abs(none.sensitivity.estimate - 0.8) > 0.02


NOTHING_KNOWN = {
    "no negative was verified": VerificationCounts(30, 10, 5, 0, 0, 40),
    "no positive was verified": VerificationCounts(0, 0, 40, 10, 30, 5),
    "nothing was verified": VerificationCounts(0, 0, 30, 0, 0, 40),
    "nobody was positive": VerificationCounts(0, 0, 0, 10, 30, 5),
    "nobody performed it": VerificationCounts(0, 0, 0, 0, 0, 0),
}
KINDS = np.array([(1, 1, 1), (1, 0, 1), (1, 0, 0), (0, 1, 1), (0, 0, 1), (0, 0, 0)], dtype=float)


def arrays(counts: VerificationCounts) -> tuple[np.ndarray, ...]:
    numbers = [int(getattr(counts, name)) for name in counts.__dataclass_fields__]
    return tuple(np.repeat(KINDS, numbers, axis=0).T)


@pytest.mark.parametrize("name", NOTHING_KNOWN)
def test_where_a_side_was_never_verified_there_is_a_reason_and_no_figure(name: str) -> None:
    counts = NOTHING_KNOWN[name]
    found = (begg_greenes(counts), aipw(*arrays(counts)), ipw(*arrays(counts)))
    for each in found:
        assert each.sensitivity is None
        assert each.specificity is None
        assert each.note
    assert found[0].note == found[1].note == found[2].note


def test_bounds_stand_where_nothing_else_does() -> None:
    found = ignorance_bounds(NOTHING_KNOWN["no negative was verified"])
    assert (found.sens_min, found.sens_max) == (30 / 70, 1.0)
    assert found.sens_ci is not None
    assert found.sens_ci[0] < 30 / 70
    empty = ignorance_bounds(NOTHING_KNOWN["nobody performed it"])
    assert empty.sens_min is None
    assert empty.sens_ci is None


def test_one_class_among_the_verified_is_refused() -> None:
    counts = VerificationCounts(30, 0, 5, 12, 0, 40)
    assert "without the condition" in aipw(*arrays(counts)).note
    assert begg_greenes(counts).specificity is None


def test_an_empty_cell_gives_no_figure_of_0_or_1() -> None:
    counts = VerificationCounts(30, 10, 5, 0, 25, 40)  # no verified knee with the condition was missed
    for found in (aipw(*arrays(counts)), ipw(*arrays(counts))):
        assert found.sensitivity is None
        assert found.npv is None
        assert found.specificity is not None
        assert 0 < found.specificity.estimate < 1
        assert "sensitivity" in found.note
    assert begg_greenes(counts).sensitivity is None
    assert begg_greenes(counts).note.startswith("Sensitivity")


def test_perfect_separation_gives_no_figure_and_no_crash() -> None:
    counts = VerificationCounts(30, 0, 5, 0, 25, 40)
    covariate = np.r_[np.ones(35), np.zeros(65)]
    found = aipw(*arrays(counts), covariate)
    assert found.sensitivity is None
    assert found.specificity is None
    assert found.prevalence is not None
    assert 0 < found.prevalence.estimate < 1


def test_all_equivocal_is_nobody() -> None:
    found = aipw(np.full(20, np.nan), np.ones(20), np.ones(20))
    assert found.n == 0
    assert found.note == "No «noun» with a positive or negative finding."


def test_separating_covariates_keep_the_figures_finite() -> None:
    """A covariate that tells verification perfectly: the prior keeps the chances off 0 and 1."""
    drawn = draw(600, BY_ALL, np.random.default_rng(4))
    covariates = np.column_stack([drawn.covariates, drawn.verified])
    found = aipw(drawn.findings[:, 0], drawn.present, drawn.verified, covariates, drawn.person)
    assert found.sensitivity is not None
    assert 0 < found.sensitivity.ci_low < found.sensitivity.estimate < found.sensitivity.ci_high < 1


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"test": np.full(1500, 2.0)}, "test: 0 or 1"),
        ({"disease": np.full(1500, 0.5)}, "disease: 0 or 1"),
        ({"verified": np.ones(3)}, "verified: 0 or 1"),
        ({"covariates": np.full((1500, 1), np.nan)}, "covariates: one row"),
        ({"cluster": np.ones(3)}, "cluster: one value"),
    ],
)
def test_other_values_are_refused(change: dict[str, np.ndarray], message: str, knees: dict[str, np.ndarray]) -> None:
    with pytest.raises(ValueError, match=message):
        aipw(**knees | change)


def test_counts_are_counts() -> None:
    with pytest.raises(ValueError, match="negative_absent is a count"):
        VerificationCounts(1, 1, 1, 1, -1, 1)


def test_bounds_hold_every_correction(knees: dict[str, np.ndarray]) -> None:
    positive, present, verified = (knees[name] > 0 for name in ("test", "disease", "verified"))
    counts = VerificationCounts(
        *(int((side & kind).sum()) for side in (positive, ~positive) for kind in (
            verified & present, verified & ~present, ~verified,
        ))
    )  # fmt: skip
    bounds, simple = ignorance_bounds(counts), begg_greenes(counts)
    found = aipw(**knees)
    assert found.sensitivity is not None
    assert found.specificity is not None
    for value in (found.sensitivity.estimate, simple.sensitivity, knees["test"][present & verified].mean()):
        assert bounds.sens_min <= value <= bounds.sens_max
    for value in (found.specificity.estimate, simple.specificity, 1 - knees["test"][~present & verified].mean()):
        assert bounds.spec_min <= value <= bounds.spec_max

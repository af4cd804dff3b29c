"""Two tests without a reference: printed estimates, an exact posterior, and truths drawn from the prior."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from scipy.special import betaln, gammaln
from scipy.stats import binom

from examtally.analytics.imperfect_reference.hui_walter import hui_walter
from examtally.analytics.imperfect_reference.latent_class import PARAMETERS, latent_class, r_hat_and_ess

TUBERCULIN = ([14, 4, 9, 528], [887, 31, 37, 367])
PRIORS = {
    "sensitivity_1": (22.0, 5.5),
    "specificity_1": (18.0, 4.0),
    "sensitivity_2": (8.0, 6.0),
    "specificity_2": (60.0, 4.0),
}
COUNTS = [12, 18, 3, 15]


def exact_means(counts: list[int], priors: Mapping[str, tuple[float, float]]) -> np.ndarray:
    """Posterior means, by summing over every way in which the knees can have the condition."""
    ill = np.stack(np.meshgrid(*(np.arange(n + 1) for n in counts), indexing="ij"), -1).reshape(-1, 4)
    well = np.array(counts) - ill
    first, second = np.array([1, 1, 0, 0]), np.array([1, 0, 1, 0])
    successes = [ill.sum(1), ill @ first, well @ (1 - first), ill @ second, well @ (1 - second)]
    failures = [well.sum(1), ill @ (1 - first), well @ first, ill @ (1 - second), well @ second]
    weight = (gammaln(np.array(counts) + 1) - gammaln(ill + 1) - gammaln(well + 1)).sum(1)
    means = []
    for name, x, y in zip(PARAMETERS, successes, failures, strict=True):
        a, b = priors.get(name, (1.0, 1.0))
        weight = weight + betaln(a + x, b + y)
        means.append((a + x) / (a + x + b + y))
    share = np.exp(weight - weight.max())
    return np.array([(share * mean).sum() / share.sum() for mean in means])


def test_tuberculin_tests() -> None:
    """Hui SL, Walter SD. Biometrics 1980;36:167–171, table 1: Mantoux first, Tine second; two populations."""
    found = hui_walter(*TUBERCULIN)
    assert found.estimate is not None
    assert found.se is not None
    wrong = [1 - found.estimate[name] for name in ("specificity_1", "specificity_2", "sensitivity_1", "sensitivity_2")]
    assert wrong == pytest.approx([0.0067, 0.0159, 0.0339, 0.0312], abs=2e-4)
    assert wrong == pytest.approx([0.006681373, 0.015864288, 0.033875856, 0.031172279], abs=2e-6)
    assert found.estimate["prevalence_1"] == pytest.approx(0.0268, abs=2e-4)
    assert found.estimate["prevalence_2"] == pytest.approx(0.7168, abs=2e-4)
    names = ("specificity_1", "specificity_2", "sensitivity_1", "sensitivity_2", "prevalence_1", "prevalence_2")
    errors = [0.0038024717, 0.0056155020, 0.0069466089, 0.0062286214, 0.0071287934, 0.0127940745]
    assert [found.se[name] for name in names] == pytest.approx(errors, rel=1e-3)
    assert found.neg_loglik == pytest.approx(1207.61675, abs=1e-4)


def test_the_mirror_image_is_not_given() -> None:
    turned = hui_walter(*(list(reversed(cells)) for cells in TUBERCULIN))
    assert turned.estimate is not None
    assert turned.estimate["sensitivity_1"] == pytest.approx(1 - 0.0067, abs=2e-4)
    assert turned.estimate["prevalence_2"] == pytest.approx(1 - 0.7168, abs=2e-4)


def test_populations_that_are_alike_are_refused() -> None:
    found = hui_walter([30, 10, 12, 48], [31, 9, 13, 47])
    assert found.estimate is None
    assert "prevalence" in found.note
    with pytest.raises(ValueError, match="two populations"):
        hui_walter([1, 2, 3], [1, 2, 3])


def test_means_are_those_of_the_exact_posterior() -> None:
    found = latent_class(COUNTS, PRIORS, iterations=10_000, seed=1)
    given = np.array([found.mean[name][0] for name in PARAMETERS])
    assert given == pytest.approx(exact_means(COUNTS, PRIORS), abs=0.006)
    assert all(found.r_hat[name][0] < 1.01 for name in PARAMETERS)
    assert all(400 < found.ess_bulk[name][0] < 40_000 for name in PARAMETERS)
    assert all(found.ci_low[name][0] < found.median[name][0] < found.ci_high[name][0] for name in PARAMETERS)


def test_intervals_cover_truths_drawn_from_the_prior_and_ranks_are_uniform() -> None:
    rng = np.random.default_rng(11)
    truths = np.array([rng.beta(*PRIORS.get(name, (1.0, 1.0)), size=300) for name in PARAMETERS])
    prevalence, se_1, sp_1, se_2, sp_2 = truths
    ill = [se_1 * se_2, se_1 * (1 - se_2), (1 - se_1) * se_2, (1 - se_1) * (1 - se_2)]
    well = [(1 - sp_1) * (1 - sp_2), (1 - sp_1) * sp_2, sp_1 * (1 - sp_2), sp_1 * sp_2]
    cells = np.array([prevalence * a + (1 - prevalence) * b for a, b in zip(ill, well, strict=True)]).T
    found = latent_class(rng.multinomial(150, cells), PRIORS, chains=2, iterations=1000, warm_up=300, seed=12)
    least, most = binom.ppf([0.001, 0.999], 300, 0.95) / 300
    for place, name in enumerate(PARAMETERS):
        truth = truths[place]
        covered = np.mean((found.ci_low[name] <= truth) & (truth <= found.ci_high[name]))
        assert least <= covered <= most
        ranks = np.mean(found.draws[:, :, place, :] < truth, axis=(0, 1))
        tenths = np.histogram(ranks, 10, (0, 1))[0]
        assert ((tenths - 30) ** 2 / 30).sum() < 29.7  # chi-squared, 9 degrees of freedom, 0.0005


def test_equal_seeds_give_equal_draws_and_bad_arguments_are_refused() -> None:
    one, two = (latent_class(COUNTS, PRIORS, iterations=20, seed=3).draws for _ in range(2))
    assert np.array_equal(one, two)
    with pytest.raises(ValueError, match="no parameter se"):
        latent_class(COUNTS, {"se": (1.0, 1.0)})
    with pytest.raises(ValueError, match="above 0"):
        latent_class(COUNTS, {"prevalence": (0.0, 1.0)})
    with pytest.raises(ValueError, match="whole numbers"):
        latent_class([1.5, 2, 3, 4], {})


def test_no_knees_give_back_the_prior() -> None:
    found = latent_class([0, 0, 0, 0], PRIORS, seed=5)
    assert found.mean["sensitivity_1"][0] == pytest.approx(0.8, abs=0.01)


def test_convergence_of_known_chains() -> None:
    rng = np.random.default_rng(2)
    independent = rng.normal(size=(4, 4000))
    assert r_hat_and_ess(independent)[0] == pytest.approx(1.0, abs=0.005)
    assert r_hat_and_ess(independent)[1] == pytest.approx(16_000, rel=0.1)
    correlated = np.zeros((4, 4000))
    correlated[:, 0] = rng.normal(size=4)
    for step in range(1, 4000):
        correlated[:, step] = 0.8 * correlated[:, step - 1] + 0.6 * independent[:, step]
    assert r_hat_and_ess(correlated)[1] == pytest.approx(16_000 * 0.2 / 1.8, rel=0.2)  # (1 - ρ)/(1 + ρ) of an AR(1)
    assert r_hat_and_ess(independent + np.arange(4)[:, None])[0] > 1.3

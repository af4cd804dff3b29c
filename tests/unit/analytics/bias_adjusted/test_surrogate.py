"""Many knees told by some: what the surrogate is, and that draws which follow it are those of all knees."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit

from examtally.analytics.bias_adjusted import sampler
from examtally.analytics.bias_adjusted.density import StatusLikelihood
from examtally.analytics.bias_adjusted.sampler import Sample, sample
from examtally.analytics.bias_adjusted.surrogate import about, centre, surrogate
from examtally.processes import one_thread

TERMS, KNEES = 6, 6_000


@pytest.fixture(scope="module")
def likelihood() -> StatusLikelihood:
    """A rare condition, foretold by six terms, three of them weak; MRI errs, some knees were operated on."""
    rng = np.random.default_rng(8)
    design = np.column_stack([np.ones(KNEES), rng.normal(size=(KNEES, TERMS))])
    present = rng.random(KNEES) < expit(design @ np.r_[-3.0, 1.2, 0.6, 0.0, 0.2, -0.1, 0.1])
    read = np.where(present, rng.random(KNEES) < 0.85, rng.random(KNEES) < 0.05).astype(float)
    return StatusLikelihood(
        design=design,
        truth=np.where(rng.random(KNEES) < 0.05, present, np.nan),
        reads=read[:, None],
        mean=np.r_[-1.5, np.zeros(TERMS), 2.0, 2.8],
        spread=np.r_[2.5, np.ones(TERMS), 0.5, 0.5],
        is_weak=np.r_[np.zeros(4, bool), np.ones(3, bool), False, False],
    )


def test_a_weight_is_as_many_knees(likelihood: StatusLikelihood) -> None:
    weights = np.random.default_rng(3).integers(0, 4, KNEES)
    again = np.repeat(np.arange(KNEES), weights)
    repeated = replace(
        likelihood, design=likelihood.design[again], truth=likelihood.truth[again], reads=likelihood.reads[again]
    )
    weighted = replace(likelihood, weights=weights.astype(float))
    here = np.random.default_rng(4).normal(size=(TERMS + 4, 3))
    assert weighted.log_density(here) == pytest.approx(repeated.log_density(here), abs=1e-7)
    assert weighted.gradient(here) == pytest.approx(repeated.gradient(here), abs=1e-7)


def test_told_and_gradient_together_are_those_found_apart(likelihood: StatusLikelihood) -> None:
    few = surrogate(likelihood, centre(likelihood), np.random.default_rng(1), knees=300)
    here = np.random.default_rng(6).normal(size=(TERMS + 4, 3))
    for each in (likelihood, few):
        told, gradient = each.likelihood_and_gradient(here)
        assert (told == each.log_likelihood(here)).all()
        assert (gradient == each.gradient(here)).all()


def test_all_knees_stand_for_all_knees(likelihood: StatusLikelihood) -> None:
    at = centre(likelihood)
    every = surrogate(likelihood, at, np.random.default_rng(1), knees=KNEES)
    here = at.natural[:, None] + 0.05 * np.random.default_rng(5).normal(size=(at.natural.size, 8))
    told = likelihood.told(here) - likelihood.told(at.natural[:, None])
    assert every.told(here) == pytest.approx(told, abs=0.01)


def test_the_gradient_is_that_of_the_surrogate_where_the_posterior_is(likelihood: StatusLikelihood) -> None:
    at = centre(likelihood)
    some = surrogate(likelihood, at, np.random.default_rng(1), knees=300)
    here = at.natural[:, None] + 0.05 * np.random.default_rng(2).normal(size=(at.natural.size, 1))
    steps = 1e-5 * np.eye(at.natural.size)
    rise = (some.told(here + steps) - some.told(here - steps)) / 2e-5
    assert some.slope(here)[:, 0] == pytest.approx(rise, rel=0.01, abs=0.01 * np.abs(rise).max())


def test_far_away_the_parabola_pulls_back(likelihood: StatusLikelihood) -> None:
    at = centre(likelihood)
    some = surrogate(likelihood, at, np.random.default_rng(1), knees=300)
    ways = 30.0 * np.random.default_rng(2).normal(size=(at.natural.size, 20))
    far = at.natural[:, None] + ways
    assert ((some.slope(far) * ways).sum(axis=0) < 0).all()
    assert (some.told(far) < some.told(at.natural[:, None]) - 100).all()


def test_drawn_knees_tell_more_than_chance_of_what_parabolas_leave_out(likelihood: StatusLikelihood) -> None:
    at = centre(likelihood)
    spread = np.linalg.inv(np.linalg.cholesky(at.bend + np.diag(likelihood.spread**-2.0))).T
    here = at.natural[:, None] + spread @ np.random.default_rng(6).normal(size=(at.natural.size, 200))
    left_out = {
        knees: np.std(likelihood.told(here) - surrogate(likelihood, at, np.random.default_rng(7), knees).told(here))
        for knees in (400, 3_000)
    }
    of_parabola = np.std(likelihood.told(here) - at.parabola(here))
    assert left_out[3_000] < left_out[400] / 2
    assert left_out[3_000] < of_parabola / 5


def test_the_centre_is_a_mode_given_tau(likelihood: StatusLikelihood) -> None:
    at = centre(likelihood)
    precision = np.where(likelihood.is_weak, at.tau**-2, likelihood.spread**-2)
    again = about(likelihood, at.natural, at.tau)
    pull = again.slope - precision * (at.natural - likelihood.mean)
    assert np.abs(np.linalg.solve(at.bend + np.diag(precision), pull)).max() < 0.05


@pytest.fixture(scope="module")
def plain(likelihood: StatusLikelihood) -> Sample:
    """Draws that follow all knees."""
    with one_thread(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(sampler, "MANY", KNEES)
        return sample(likelihood, [1], kept=200)


@pytest.mark.parametrize("knees", [(2_000,), (220,)])
def test_draws_that_follow_the_surrogate_are_those_of_all_knees(
    likelihood: StatusLikelihood, plain: Sample, monkeypatch: pytest.MonkeyPatch, knees: tuple[int, ...]
) -> None:
    with one_thread():
        monkeypatch.setattr(sampler, "MANY", KNEES - 1)
        monkeypatch.setattr(sampler, "_KNEES", knees)
        followed = sample(likelihood, [2], kept=200)
    assert followed.r_hat <= sampler.MET
    assert _apart(plain, followed) < 0.15
    assert np.log(_spread(followed) / _spread(plain)) == pytest.approx(0.0, abs=0.15)


def _values(found: Sample) -> np.ndarray:
    return np.vstack([found.parameters.reshape(-1, found.parameters.shape[2]).T, np.log(found.tau).reshape(1, -1)])


def _spread(found: Sample) -> np.ndarray:
    return np.asarray(_values(found).std(axis=1))


def _apart(one: Sample, other: Sample) -> float:
    """The largest difference of means, in standard deviations."""
    return float(np.abs((_values(one).mean(axis=1) - _values(other).mean(axis=1)) / _spread(one)).max())

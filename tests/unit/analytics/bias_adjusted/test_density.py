"""The joint density: every status counted out, its gradient, and what must not change it."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy.special import expit
from scipy.stats import norm

from examtally.analytics.bias_adjusted.density import TAU_SPREAD, StatusLikelihood

RNG = np.random.default_rng(11)
KNEES, TERMS, MODALITIES = 7, 2, 2
READS = np.array([[1, 0], [1, np.nan], [0, 0], [np.nan, 1], [0, 1], [1, 1], [0, np.nan]])
TRUTH = np.array([np.nan, np.nan, np.nan, np.nan, 1, 0, np.nan])
SIZE = 1 + TERMS + 2 * MODALITIES


@pytest.fixture
def likelihood() -> StatusLikelihood:
    return StatusLikelihood(
        design=np.column_stack([np.ones(KNEES), RNG.normal(size=(KNEES, TERMS))]),
        truth=TRUTH,
        reads=READS,
        mean=np.r_[-1.5, 0.3, 0.0, 2.0, 1.5, 2.5, 2.2],
        spread=np.r_[2.5, 0.8, 1.0, 0.3, 0.5, 0.4, 0.5],
        is_weak=np.array([False, False, True, False, False, False, False]),
    )


def counted_out(likelihood: StatusLikelihood, parameters: np.ndarray) -> float:
    """The density of one chain with a sum over all statuses of all knees."""
    tau = TAU_SPREAD * parameters[-1]
    beta = parameters[:3] * np.array([1, 1, tau])
    sensitivity, specificity = expit(parameters[3:5]), expit(parameters[5:7])
    chance = expit(likelihood.design @ beta)
    total = 0.0
    for statuses in product([0, 1], repeat=KNEES):
        one = 1.0
        for knee, status in enumerate(statuses):
            if not np.isnan(TRUTH[knee]) and status != TRUTH[knee]:
                one = 0.0
            one *= chance[knee] if status else 1 - chance[knee]
            for modality in range(MODALITIES):
                read = READS[knee, modality]
                if not np.isnan(read):
                    positive = sensitivity[modality] if status else 1 - specificity[modality]
                    one *= positive if read else 1 - positive
        total += one
    prior = norm.logpdf(parameters[:-1], likelihood.mean, likelihood.spread).sum() + norm.logpdf(parameters[-1])
    return float(np.log(total) + prior)


def test_summing_over_the_status_is_counting_out_every_one(likelihood: StatusLikelihood) -> None:
    chains = RNG.normal(size=(SIZE + 1, 4))
    counted = np.array([counted_out(likelihood, chain) for chain in chains.T])
    assert np.diff(likelihood.log_density(chains)) == pytest.approx(np.diff(counted), abs=1e-9)


def test_the_gradient_is_that_of_the_density(likelihood: StatusLikelihood) -> None:
    here = RNG.normal(size=(SIZE + 1, 1))
    steps = 1e-5 * np.eye(SIZE + 1)
    rise = likelihood.log_density(here + steps) - likelihood.log_density(here - steps)
    assert likelihood.gradient(here)[:, 0] == pytest.approx(rise / 2e-5, abs=1e-5)


def test_calling_present_absent_and_turning_every_sign_changes_nothing(likelihood: StatusLikelihood) -> None:
    turned = np.r_[0, 1, 2, 5, 6, 3, 4, 7]
    signs = np.r_[-np.ones(3), np.ones(5)]
    mirrored = replace(
        likelihood,
        truth=1 - likelihood.truth,
        reads=1 - likelihood.reads,
        mean=(np.r_[likelihood.mean, 0] * signs)[turned][:-1],
        spread=np.r_[likelihood.spread, 0][turned][:-1],
    )
    here = RNG.normal(size=(SIZE + 1, 3))
    there = (here * signs[:, None])[turned]
    assert mirrored.log_density(there) == pytest.approx(likelihood.log_density(here), abs=1e-9)


def test_row_order_is_nothing(likelihood: StatusLikelihood) -> None:
    order = RNG.permutation(KNEES)
    shuffled = replace(
        likelihood, design=likelihood.design[order], truth=likelihood.truth[order], reads=likelihood.reads[order]
    )
    here = RNG.normal(size=(SIZE + 1, 3))
    assert shuffled.log_density(here) == pytest.approx(likelihood.log_density(here), abs=1e-9)

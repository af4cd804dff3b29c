"""Pooling groups that share an assumption: do intervals hold the mean, and predictions a further group?"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit

from examtally.analytics.site_pooling.pooling import pool_groups

SEED, NETWORKS = 880_000, 600
MEAN = np.array([1.3, 1.9])  # sensitivity 0.79, specificity 0.87
WITHIN, SHARED = np.array([0.06, 0.02]), np.array([0.25, 0.05])  # variances; standard deviations
CORRELATION = (-0.3, -0.15)  # between groups, within groups
SETTINGS = [(groups, spread) for groups in (8, 30) for spread in (0.2, 0.5)]
DOCS = Path(__file__).resolve().parents[2] / "docs" / "simulation-studies.md"


def networks(groups: int, spread: float, number: int, seed: int) -> np.ndarray:
    """Per network and measure: error of the mean, whether its interval holds it, and its prediction one group more."""
    rng = np.random.default_rng([seed, groups, round(10 * spread)])
    between = spread**2 * np.array([[1.0, CORRELATION[0]], [CORRELATION[0], 1.0]])
    found = np.empty((number, 3, 2))
    for place in range(number):
        variance = WITHIN * np.exp(rng.normal(0, 0.4, (groups, 2)))
        own = np.array([np.diag(each) for each in variance])
        own[:, 0, 1] = own[:, 1, 0] = CORRELATION[1] * np.sqrt(variance.prod(axis=1))
        loading = SHARED * np.exp(rng.normal(0, 0.2, (groups, 1)))
        shared = np.einsum("gi,gj->gij", loading, loading)
        own_errors = np.array([rng.multivariate_normal((0, 0), each) for each in own])
        logits = rng.multivariate_normal(MEAN, between, groups) + own_errors + loading * rng.normal()
        further = expit(rng.multivariate_normal(MEAN, between))
        made = pool_groups(logits, own + shared, shared)
        assert made is not None
        for side, figure in enumerate((made.sensitivity, made.specificity)):
            truth = expit(MEAN[side])
            found[place, :, side] = (
                figure.estimate - truth,
                figure.low <= truth <= figure.high,
                figure.predict_low <= further[side] <= figure.predict_high,
            )
    return found


def line(groups: int, spread: float, found: np.ndarray) -> str:
    """A row of the table in the documentation."""
    bias, held, foretold = 100 * found.mean(axis=0)
    cells = [f"{bias[0]:+.1f}, {bias[1]:+.1f}", *(f"{each[0]:.0f}, {each[1]:.0f}" for each in (held, foretold))]
    return f"| {groups} | {spread} | {' | '.join(cells)} |"


@pytest.mark.study
@pytest.mark.parametrize(("groups", "spread"), SETTINGS)
def test_intervals_hold_the_mean_and_predictions_a_further_group(groups: int, spread: float) -> None:
    print(f"\n{groups} groups, spread {spread}: {NETWORKS} networks, a minute")
    found = networks(groups, spread, NETWORKS, SEED)
    text = line(groups, spread, found)
    print(text)
    assert text in DOCS.read_text(encoding="utf-8"), "renew the documentation"


def test_a_few_networks_hold_the_mean_and_none_of_three_groups_is_pooled() -> None:
    found = networks(8, 0.5, 40, SEED + 1)
    assert found[:, 1:].mean() > 0.88
    assert pool_groups(np.zeros((3, 2)), np.tile(np.eye(2), (3, 1, 1))) is None

"""A plain sampler to hold the fast one to: random-walk Metropolis, one chain, knee by knee where it matters."""

from __future__ import annotations

import numpy as np
from scipy.special import expit
from scipy.stats import norm

from examtally.analytics.bias_adjusted.density import TAU_SPREAD, StatusLikelihood
from examtally.analytics.bias_adjusted.knees import StatusKnees

LEARN = 0.3  # share of the turns in which the proposal learns the shape of the posterior, and which are thrown away
KEPT = 2_000


class PlainPosterior:
    """The posterior density in its natural form: coefficients as they are, log tau beside them."""

    def __init__(self, likelihood: StatusLikelihood) -> None:
        self._given = likelihood
        self._known = ~np.isnan(likelihood.truth)

    def __call__(self, point: np.ndarray) -> float:
        given, tau = self._given, np.exp(point[-1])
        terms, modalities = given.design.shape[1], given.reads.shape[1]
        chance = expit(given.design @ point[:terms])
        with_it, without = chance.copy(), 1 - chance
        for m in range(modalities):
            sensitivity, specificity = expit(point[terms + m]), expit(point[terms + modalities + m])
            read = given.reads[:, m]
            with_it *= np.where(read == 1, sensitivity, np.where(read == 0, 1 - sensitivity, 1.0))
            without *= np.where(read == 1, 1 - specificity, np.where(read == 0, specificity, 1.0))
        each = np.where(self._known, np.where(given.truth == 1, with_it, without), with_it + without)
        spread = np.where(given.is_weak, tau, given.spread)
        prior = norm.logpdf(point[:-1], np.where(given.is_weak, 0.0, given.mean), spread).sum()
        return float(np.log(each).sum() + prior + point[-1] - 0.5 * (tau / TAU_SPREAD) ** 2)


def walk(likelihood: StatusLikelihood, turns: int, seed: int) -> np.ndarray:
    """Points (KEPT, p + 1) of a random walk that learns the shape of its proposal first."""
    rng, density = np.random.default_rng(seed), PlainPosterior(likelihood)
    point = np.r_[np.where(likelihood.is_weak, 0.0, likelihood.mean), np.log(0.2)]
    spread = np.diag(np.r_[np.where(likelihood.is_weak, 0.2, likelihood.spread), 0.5] ** 2)
    size, scale, here = point.size, 0.3, density(point)
    seen = np.empty((turns, size))
    root = np.linalg.cholesky(spread)
    learning = int(LEARN * turns)
    for turn in range(turns):
        new = point + scale * root @ rng.standard_normal(size) * 2.38 / np.sqrt(size)
        there = density(new)
        is_taken = np.log(rng.random()) < there - here
        if is_taken:
            point, here = new, there
        seen[turn] = point
        if turn < learning:
            scale *= np.exp((is_taken - 0.25) / np.sqrt(1 + turn / 10))
            if turn and turn % (learning // 6) == 0:
                root = np.linalg.cholesky(np.cov(seen[turn // 2 : turn].T) + 1e-6 * np.eye(size))
                scale = 1.0
    kept = seen[learning:]
    return kept[np.linspace(0, len(kept) - 1, KEPT).astype(int)]


def plain_figures(
    likelihood: StatusLikelihood,
    knees: StatusKnees,
    maneuver: str,
    *,
    turns: int,
    delta: tuple[float, float],
    seed: int,
) -> dict[str, np.ndarray]:
    """Draws of sensitivity and specificity of a maneuver, each from one point: statuses, weights, shares."""
    rng = np.random.default_rng([seed, 1])
    result = knees.frame[f"result_{maneuver}"]
    positive, clear = (result == "positive").to_numpy(), result.is_in(["positive", "negative"]).to_numpy()
    terms = knees.terms.columns.shape[1] + 1
    found: dict[str, list[float]] = {"sensitivity": [], "specificity": []}
    for point in walk(likelihood, turns, seed):
        odds = point[0] + knees.terms.columns @ point[1:terms]
        odds = odds + np.where(knees.is_verified, 0.0, rng.normal(*delta))
        with_it, without = expit(odds), expit(-odds)
        for m in range(len(knees.modalities)):
            sensitivity = expit(point[terms + m])
            specificity = expit(point[terms + len(knees.modalities) + m])
            read = knees.reads[:, m]
            with_it = with_it * np.where(read == 1, sensitivity, np.where(read == 0, 1 - sensitivity, 1.0))
            without = without * np.where(read == 1, 1 - specificity, np.where(read == 0, specificity, 1.0))
        chance = np.where(knees.is_known, knees.truth, with_it / (with_it + without))
        present = rng.random(chance.size) < chance
        weight = rng.exponential(size=int(knees.participants.max()) + 1)[knees.participants] * clear
        found["sensitivity"].append((weight * present * positive).sum() / (weight * present).sum())
        found["specificity"].append((weight * ~present * ~positive).sum() / (weight * ~present).sum())
    return {measure: np.array(values) for measure, values in found.items()}

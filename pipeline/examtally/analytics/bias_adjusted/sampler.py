"""Draws from the joint density: Hamiltonian Monte Carlo from the mode, with a Gibbs step for the common scale."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize

from examtally.analytics.bias_adjusted.density import TAU_SPREAD, StatusLikelihood
from examtally.analytics.bias_adjusted.surrogate import DIFFERENCE, START_TAU, TAU, Centre, about, centre, surrogate
from examtally.analytics.imperfect_reference.latent_class import r_hat_and_ess
from examtally.analytics.intervals import FloatArray

CHAINS = 16
MET = 1.05
MANY = 5_000  # knees above which trajectories follow the surrogate
_KNEES = (2_000, 4_000, 8_000)  # that stand for all: more, until what they leave out
_ALIKE, _LATELY = 0.4, 4  # has a smaller standard deviation over the last turns of learning
_LOST = 10  # standard deviations of a log density, below which a chain is lost
_OF_ALL = 10  # draws, of which one follows all knees
_STEP, _LENGTH, _LEAPS = 0.35, 1.8, (3, 8)  # first step, length of a trajectory, fewest and most leaps
_FAIR = 0.2  # length of a step, below which the surrogate's shape is learned once more
_WANTED = 0.85
_FLATTEST = 0.3  # smallest curvature allowed for in the preconditioner, that of the priors being 1
_SEARCH, _LEARN, _SETTLE = 20, 60, 40  # turns of the warm-up: towards the bulk, to learn its shape, to set the step
_FACTOR = 0.35  # how far tau moves with its coefficients, on the logarithm
_TOLD = 0.04  # mean share of a weak term's spread that the knees leave, below which they tell most of it
_TRUST, _HESSIAN = 0.3, 60  # a draw of the warm-up counts so much, the Hessian as so many independent draws


@dataclass(frozen=True)
class Sample:
    """Draws (kept, chains, p) of coefficients and logit accuracies, and (kept, chains) of tau.

    `r_hat` is the largest of all parameters and tau, `ess` the smallest number of independent draws of any of them,
    `accepted` the mean acceptance of the kept draws.
    """

    parameters: FloatArray
    tau: FloatArray
    r_hat: float
    ess: float
    accepted: float


def sample(likelihood: StatusLikelihood, seed: list[int], *, kept: int = 100, most: int = 600) -> Sample:
    """Draw until the chains have met (R-hat of 1.05 or less for every parameter) or `most` draws a chain are kept.

    Chains start around the mode, further apart than the posterior is wide. Positions are measured in the square root
    of the inverse Hessian at the mode, then of that and the covariance of the warm-up together. After each trajectory
    tau is drawn once more, on a grid, from its conditional density given the coefficients, which helps where the knees
    tell much of them. Of more than 5,000 knees trajectories follow a surrogate, and all knees are looked at in the end.

    Source: Neal RM. Handbook of Markov Chain Monte Carlo, 2011, chapter 5; Yu Y, Meng XL. J Comput Graph Stat
    2011;20:531–570 (interweaving); R-hat as `r_hat_and_ess`.
    """
    rng, few = np.random.default_rng(seed), likelihood.truth.size <= MANY
    chains = _Chains(likelihood, _mode(likelihood), rng) if few else _CheckedChains(likelihood, rng)
    chains.warm_up()
    drawn: list[FloatArray] = []
    accepted: list[float] = []
    met, independent = np.inf, np.nan
    while len(drawn) < most and met > MET:
        for _ in range(kept):
            accepted.append(chains.draw())
            drawn.append(np.vstack([likelihood.natural(chains.position), np.abs(chains.position[-1])]).T)
        every = np.array(drawn)
        apart, worth = r_hat_and_ess(every.swapaxes(0, 1))
        met, independent = float(apart.max()), float(worth.min())
    return Sample(every[:, :, :-1], TAU_SPREAD * every[:, :, -1], met, independent, float(np.mean(accepted)))


class _Chains:
    """Position (p + 1, chains) of every chain, and how it moves on.

    `start` is where they start, (p + 1,), and the square root (p + 1, p + 1) of the inverse Hessian there.
    """

    _rounds = 1  # of learning, at most

    def __init__(self, likelihood: StatusLikelihood, start: tuple[FloatArray, FloatArray], rng: np.random.Generator):
        mode, self._root = start
        self._likelihood = replace(likelihood, design=likelihood.design.astype(np.float32))
        self._rng = rng
        self.position = mode[:, None] + 1.2 * self._root @ rng.standard_normal((mode.size, CHAINS))
        self._told = self._likelihood.log_likelihood(self.position)  # of the position, whatever tau is drawn
        self._step = _STEP

    def draw(self) -> float:
        """Move every chain on; returns the mean acceptance."""
        return self.advance(adapting=False)

    def warm_up(self) -> None:
        """Find the bulk, learn its shape, and set the step."""
        for _ in range(_SEARCH):
            self.advance(adapting=True)
        self._gather()
        for _ in range(self._rounds):
            is_at_ease = self._learn()
            self._step = _STEP
            if is_at_ease:
                break
        for _ in range(_SETTLE):
            self.advance(adapting=True)

    def _learn(self) -> bool:
        """Learn the shape of the bulk; returns whether steps of a fair length were possible meanwhile."""
        seen = []
        for _ in range(_LEARN):
            self.advance(adapting=True)
            seen.append(self.position)
        moving = self._root.any(axis=1)
        part = np.ix_(moving, moving)
        unit = np.linalg.solve(self._root[part], np.concatenate(seen, axis=1)[moving])
        unit -= unit.mean(axis=1, keepdims=True)
        spread = (_TRUST * unit @ unit.T + _HESSIAN * np.eye(unit.shape[0])) / (_TRUST * unit.shape[1] + _HESSIAN)
        self._root[part] = self._root[part] @ np.linalg.cholesky(spread)
        self._look_again(seen)
        return self._step > _FAIR

    def _look_again(self, seen: list[FloatArray]) -> None:
        """What else is to be learned from the positions seen; nothing where all knees are told."""

    def _gather(self) -> None:
        """What is to be done with chains that went astray; nothing where all knees are told."""

    def advance(self, *, adapting: bool) -> float:
        """One trajectory and one draw of tau for every chain; returns the mean acceptance."""
        chance = self._follow()
        self._draw_tau()
        self._move_tau()
        if adapting:
            self._step *= float(np.exp(0.1 * (chance - _WANTED)))
        return chance

    def _follow(self) -> float:
        """One trajectory of every chain; returns the mean acceptance."""
        start, momentum = self.position, self._rng.standard_normal(self.position.shape)
        before = self._told + self._likelihood.log_prior(start) - 0.5 * (momentum**2).sum(axis=0)
        step = self._step * self._rng.uniform(0.7, 1.3)
        position, moved = start, momentum + 0.5 * step * self._pull(start)
        leaps = int(np.clip(round(_LENGTH / self._step), *_LEAPS))
        with np.errstate(over="ignore", invalid="ignore"):  # a trajectory that leaps ever further is refused
            for leap in range(leaps):
                position = position + step * self._root @ moved
                if leap < leaps - 1:
                    moved = moved + step * self._pull(position)
            told, gradient = self._likelihood.likelihood_and_gradient(position)
            moved = moved + 0.5 * step * (self._root.T @ gradient)
            after = told + self._likelihood.log_prior(position) - 0.5 * (moved**2).sum(axis=0)
            chance = np.exp(np.minimum(0.0, np.nan_to_num(after - before, nan=-np.inf)))
        is_taken = self._rng.random(CHAINS) < chance
        self.position, self._told = np.where(is_taken, position, start), np.where(is_taken, told, self._told)
        return float(chance.mean())

    def _pull(self, position: FloatArray) -> FloatArray:
        return np.asarray(self._root.T @ self._likelihood.gradient(position))

    def _move_tau(self) -> None:
        """Move tau by a random factor, the weak coefficients with it; the knees accept or refuse."""
        moved, shift = self.position.copy(), _FACTOR * self._rng.standard_normal(CHAINS)
        moved[-1] *= np.exp(shift)
        told, prior = self._likelihood.log_likelihood(moved), self._likelihood.log_prior
        rise = told + prior(moved) - self._told - prior(self.position) + shift
        is_taken = np.log(self._rng.random(CHAINS)) < rise
        self.position, self._told = np.where(is_taken, moved, self.position), np.where(is_taken, told, self._told)

    def _draw_tau(self) -> None:
        """Draw tau given the weak coefficients, by the inverse of its distribution function on a grid."""
        is_weak = np.r_[self._likelihood.is_weak, False]
        side = np.where(self.position[-1] < 0, -TAU_SPREAD, TAU_SPREAD)
        weak = self.position[is_weak] * TAU_SPREAD * self.position[-1]
        log_density = (
            (1 - weak.shape[0]) * np.log(TAU)[:, None]
            - 0.5 * (weak**2).sum(axis=0) / TAU[:, None] ** 2
            - 0.5 * (TAU[:, None] / TAU_SPREAD) ** 2
        )
        heights = np.cumsum(np.exp(log_density - log_density.max(axis=0)), axis=0)
        mark = self._rng.random(CHAINS) * heights[-1]
        tau = TAU[np.minimum((heights < mark).sum(axis=0), TAU.size - 1)]
        self.position[-1] = tau / side
        self.position[is_weak] = weak / (TAU_SPREAD * self.position[-1])


class _CheckedChains(_Chains):
    """Chains that follow the surrogate; where it leads is taken with the chance that makes the draws those of all."""

    _rounds = 5

    def __init__(self, likelihood: StatusLikelihood, rng: np.random.Generator):
        at = centre(likelihood)
        super().__init__(surrogate(likelihood, at, rng), _start(likelihood, at), rng)
        self._all = likelihood
        self._of_all = replace(likelihood, design=likelihood.design.astype(np.float32))
        self._left_out = np.zeros(CHAINS)
        self._draws = 0

    def _look_again(self, seen: list[FloatArray]) -> None:
        """Stand in for all about the mean, where the parabolas serve best."""
        every = np.concatenate(seen, axis=1)
        at = about(self._all, self._all.natural(every).mean(axis=1), TAU_SPREAD * float(np.abs(every[-1]).mean()))
        lately = np.concatenate(seen[-_LATELY:], axis=1)
        for knees in _KNEES:
            few = surrogate(self._all, at, self._rng, knees)
            self._likelihood = replace(few, design=few.design.astype(np.float32))
            if np.std(self._of_all.log_likelihood(lately) - self._likelihood.log_likelihood(lately)) < _ALIKE:
                break
        self._gather()

    def _gather(self) -> None:
        """Send chains that were led to where all knees hold nothing to where others are."""
        density = self._of_all.log_density(self.position)
        is_lost = density < np.median(density) - _LOST * np.sqrt(self.position.shape[0] / 2)
        others = self._rng.choice(np.flatnonzero(~is_lost), CHAINS)
        self.position = self.position[:, np.where(is_lost, others, np.arange(CHAINS))]
        self._told = self._likelihood.log_likelihood(self.position)

    def warm_up(self) -> None:
        """Find the bulk, learn its shape, and set the step; then see what the surrogate leaves out."""
        super().warm_up()
        self._gather()
        self._left_out = self._of_all.log_likelihood(self.position) - self._told

    def draw(self) -> float:
        """One round along the surrogate, then one look at all knees; returns the mean acceptance of that.

        Every tenth trajectory follows all knees: it leads out of places that the surrogate holds for too unlikely.
        """
        self._draws += 1
        if self._draws % _OF_ALL == 0:
            return self._follow_all()
        before, told = self.position.copy(), self._told
        self._stir()
        left_out = self._of_all.log_likelihood(self.position) - self._told
        chance = np.exp(np.minimum(0.0, left_out - self._left_out))
        is_taken = self._rng.random(CHAINS) < chance
        self.position, self._told = np.where(is_taken, self.position, before), np.where(is_taken, self._told, told)
        self._left_out = np.where(is_taken, left_out, self._left_out)
        return float(chance.mean())

    def _follow_all(self) -> float:
        """One trajectory along the likelihood of all knees."""
        few, self._likelihood = self._likelihood, self._of_all
        self._told = self._told + self._left_out
        chance = self._follow()
        of_all, self._likelihood = self._told, few
        self._told = few.log_likelihood(self.position)
        self._left_out = of_all - self._told
        return chance

    def _stir(self) -> None:
        """Moves that read the same backward, as acceptance in two stages asks for."""
        self._move_tau()
        self._draw_tau()
        self._follow()
        self._follow()
        self._draw_tau()
        self._move_tau()


def _start(likelihood: StatusLikelihood, at: Centre) -> tuple[FloatArray, FloatArray]:
    """Position (p + 1,) of the centre, and the square root (p + 1, p + 1) of the inverse Hessian there."""
    w, is_weak = at.tau / TAU_SPREAD, likelihood.is_weak
    natural = np.where(is_weak, at.tau, 1.0)  # parameters by their coordinates of a position
    by_w = np.where(is_weak, at.natural / w, 0.0)
    across = natural * (at.bend @ by_w) - np.where(is_weak, TAU_SPREAD * at.slope, 0.0)
    own = np.outer(natural, natural) * at.bend + np.diag(likelihood.spread**-2.0)
    curve = np.block([[own, across[:, None]], [across, by_w @ at.bend @ by_w + 1.0]])
    scale = np.r_[likelihood.spread, 1.0]
    return np.r_[at.natural / natural, w], _root(likelihood, np.outer(scale, scale) * curve)


def _mode(likelihood: StatusLikelihood) -> tuple[FloatArray, FloatArray]:
    """Mode (p + 1,) of the joint density, and the square root (p + 1, p + 1) of the inverse Hessian there."""
    mean, scale = np.r_[likelihood.mean, START_TAU / TAU_SPREAD], np.r_[likelihood.spread, 1.0]

    def down(unit: FloatArray) -> tuple[float, FloatArray]:
        here = (mean + scale * unit)[:, None]
        told, gradient = likelihood.likelihood_and_gradient(here)
        return -float((told + likelihood.log_prior(here))[0]), -scale * gradient[:, 0]

    found = minimize(down, np.zeros(scale.size), jac=True, method="L-BFGS-B", options={"maxiter": 300})
    mode = mean + scale * found.x
    shifts = DIFFERENCE * np.diag(scale)
    rise = likelihood.gradient(mode[:, None] + shifts) - likelihood.gradient(mode[:, None] - shifts)
    curve = -scale[:, None] * rise / (2 * DIFFERENCE)
    return mode, _root(likelihood, 0.5 * (curve + curve.T))


def _root(likelihood: StatusLikelihood, curve: FloatArray) -> FloatArray:
    """Square root (p + 1, p + 1) of the inverse of a negative Hessian; `curve` is that in units of the priors' spread.

    Where the knees tell most of the weak terms, tau and they are too entangled to move together: its row and column are
    0, so that trajectories leave it, and it moves by its own conditional density alone.
    """
    scale = np.r_[likelihood.spread, 1.0]
    weak = np.flatnonzero(likelihood.is_weak)
    moving = slice(None)
    if weak.size and (1 / np.diag(curve)[weak]).mean() < _TOLD:
        moving = slice(-1)
    values, vectors = np.linalg.eigh(curve[moving, moving])
    root = np.zeros_like(curve)
    root[moving, moving] = scale[moving, None] * vectors / np.sqrt(np.maximum(values, _FLATTEST))
    return root

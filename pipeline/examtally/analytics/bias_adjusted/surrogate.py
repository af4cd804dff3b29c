"""Many knees told by some of them: what trajectories follow; what that leaves out is made good by refusals.

About a point the log likelihood of a knee is a parabola and a rest. The surrogate has the parabolas of all knees, whose
sum is one parabola, and the rests of some, drawn with a chance that grows with the size of the rest and weighted by its
inverse.

Source: Quiroz M, Kohn R, Villani M, Tran M-N. J Am Stat Assoc 2019;114:831–843 (parabolas as control variates);
Christen JA, Fox C. J Comput Graph Stat 2005;14:795–810 (acceptance in two stages).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from examtally.analytics.bias_adjusted.density import TAU_SPREAD, StatusLikelihood
from examtally.analytics.intervals import FloatArray
from examtally.analytics.logistic import fast_expit

Indices = npt.NDArray[np.integer]

TAU = np.geomspace(0.005, 1.5, 300)
KNEES = 2_000  # that are drawn
_EVEN = 0.1  # of the mean size of a rest: what every knee has at least
_TURNS, _SETTLED = 4, 0.1  # of mode given tau and tau given mode, until tau moves by less on the logarithm
START_TAU = 0.2
DIFFERENCE = 1e-4  # between the gradients that curvature is read from
_MOST_STEPS = 300  # to a mode
_NEAR = 25.0  # squared distance a parameter, that of the posterior being 1, from which a force counts them less
_MOST_ADDED = 30.0  # many times what the rests of all knees differ by where the posterior is


@dataclass(frozen=True)
class Centre:
    """A point near the middle of the posterior: `natural` (p,) parameters and `tau`.

    `slope` (p,) and `bend` (p, p) are the gradient and the negative Hessian of the log likelihood there, negative
    eigenvalues of which are set to 0.
    """

    natural: FloatArray
    tau: float
    slope: FloatArray
    bend: FloatArray

    def parabola(self, natural: FloatArray) -> FloatArray:
        """The log likelihood to second order, 0 here, at `natural` (p, chains): (chains,)."""
        apart = natural - self.natural[:, None]
        return np.asarray(self.slope @ apart - 0.5 * (apart * (self.bend @ apart)).sum(axis=0))

    def rise(self, natural: FloatArray) -> FloatArray:
        """Gradient of the parabola, (p, chains)."""
        return np.asarray(self.slope[:, None] - self.bend @ (natural - self.natural[:, None]))


@dataclass(frozen=True, kw_only=True)
class Surrogate(StatusLikelihood):
    """Some knees with their weights: the parabola of all knees at `at_all`, and what these add to their own, `at_few`.

    What they add is bounded, so that far away, where they say little of the others, the parabola rules. `slope` is the
    gradient near `at_all`, and has less of what they add the farther away it is: trajectories may follow any force, for
    `told` is what refuses them.
    """

    at_all: Centre
    at_few: Centre
    height: float
    precision: FloatArray

    def told(self, natural: FloatArray) -> FloatArray:
        """Log likelihood up to a constant, (chains,), of coefficients and logit accuracies (p, chains)."""
        return self._bounded(natural, super().told(natural))

    def slope(self, natural: FloatArray) -> FloatArray:
        """What moves a trajectory, (p, chains), at coefficients and logit accuracies (p, chains)."""
        return self._near(natural, super().slope(natural))

    def told_and_slope(self, natural: FloatArray) -> tuple[FloatArray, FloatArray]:
        """`told` and `slope` of the same coefficients and logit accuracies."""
        told, slope = super().told_and_slope(natural)
        return self._bounded(natural, told), self._near(natural, slope)

    def _bounded(self, natural: FloatArray, told: FloatArray) -> FloatArray:
        """The parabola of all and what these knees add to it, (chains,), from what they tell."""
        added = (told - self.height - self.at_few.parabola(natural)) / _MOST_ADDED
        return np.asarray(self.at_all.parabola(natural) + _MOST_ADDED * np.tanh(added))

    def _near(self, natural: FloatArray, slope: FloatArray) -> FloatArray:
        """The force of all, (p, chains), from that of these knees."""
        apart = natural - self.at_all.natural[:, None]
        away = (apart * (self.precision @ apart)).sum(axis=0) / (_NEAR * apart.shape[0])
        counted = np.maximum(away, 1.0) ** -2
        return np.asarray(self.at_all.rise(natural) + counted * (slope - self.at_few.rise(natural)))


def centre(likelihood: StatusLikelihood) -> Centre:
    """Find the mode given tau, with tau at its mean given the parabola there: of some knees, then of all.

    The joint mode would not do: there tau is far above where most of its probability is.
    """
    every = max(1, likelihood.truth.size // KNEES)
    few = _part(likelihood, np.arange(0, likelihood.truth.size, every), float(every))
    natural, tau, root = likelihood.mean, START_TAU, np.diag(likelihood.spread)
    for _ in range(_TURNS):
        natural = _mode(few, natural, tau, root)
        at = about(few, natural, tau)
        tau = _mean_tau(few, at)
        root = np.linalg.inv(np.linalg.cholesky(at.bend + np.diag(_precision(few, tau)))).T
        if abs(np.log(tau / at.tau)) < _SETTLED:
            break
    at = about(likelihood, _mode(likelihood, natural, tau, root), tau)
    return replace(at, tau=_mean_tau(likelihood, at))


def about(likelihood: StatusLikelihood, natural: FloatArray, tau: float) -> Centre:
    """Look at the log likelihood about a point."""
    shifts = DIFFERENCE * np.eye(natural.size)
    fall = likelihood.slope(natural[:, None] - shifts) - likelihood.slope(natural[:, None] + shifts)
    values, vectors = np.linalg.eigh((fall + fall.T) / (4 * DIFFERENCE))
    bend = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return Centre(natural, tau, likelihood.slope(natural[:, None])[:, 0], bend)


def surrogate(likelihood: StatusLikelihood, at: Centre, rng: np.random.Generator, knees: int = KNEES) -> Surrogate:
    """Draw some `knees` that stand for all, systematically in their order, with chances by the size of their rests."""
    size = _sizes(likelihood, at)
    chance = np.minimum(1.0, knees * size / size.sum())
    for _ in range(5):
        chance = np.minimum(1.0, knees * chance / chance.sum())
    drawn = np.flatnonzero(np.diff(np.floor(np.r_[0.0, np.cumsum(chance)] + rng.random())) > 0)
    few = _part(likelihood, drawn, 1 / chance[drawn])
    own = {name: getattr(few, name) for name in few.__dataclass_fields__}
    height = float(few.told(at.natural[:, None])[0])
    precision = at.bend + np.diag(_precision(likelihood, at.tau))
    return Surrogate(**own, at_all=at, at_few=about(few, at.natural, at.tau), height=height, precision=precision)


def _sizes(likelihood: StatusLikelihood, at: Centre) -> FloatArray:
    """How large the rest of each knee is, (n,): by how far its log odds move, before and after what was read."""
    k, m = likelihood.design.shape[1], likelihood.reads.shape[1]
    before, after = (fast_expit(odds[:, 0]) for odds in likelihood.odds(at.natural[:, None]))
    sensitivity, specificity = fast_expit(at.natural[k : k + m]), fast_expit(at.natural[k + m :])
    present, absent = likelihood.reads == 1, likelihood.reads == 0
    moved = np.column_stack(
        [
            likelihood.design,
            present * (1 - sensitivity) - absent * sensitivity,
            present * specificity - absent * (1 - specificity),
        ]
    )
    spread = np.linalg.inv(np.linalg.cholesky(at.bend + np.diag(_precision(likelihood, at.tau)))).T
    size = before * (1 - before) * np.linalg.norm(moved[:, :k] @ spread[:k], axis=1) ** 3
    unknown = np.isnan(likelihood.truth)
    size += np.where(unknown, after * (1 - after) * np.linalg.norm(moved @ spread, axis=1) ** 3, 0.0)
    return np.asarray(size / size.mean() + _EVEN)


def _part(likelihood: StatusLikelihood, knees: Indices, weights: FloatArray | float) -> StatusLikelihood:
    return replace(
        likelihood,
        design=likelihood.design[knees],
        truth=likelihood.truth[knees],
        reads=likelihood.reads[knees],
        weights=np.broadcast_to(np.asarray(weights, dtype=np.float64), knees.shape),
    )


def _precision(likelihood: StatusLikelihood, tau: float) -> FloatArray:
    """Precision of the priors given tau, (p,)."""
    return np.where(likelihood.is_weak, tau**-2.0, likelihood.spread**-2.0)


def _mode(likelihood: StatusLikelihood, start: FloatArray, tau: float, root: FloatArray) -> FloatArray:
    """Mode given tau, (p,), sought from `start` in the coordinates of `root` (p, p)."""
    precision = _precision(likelihood, tau)

    def down(unit: FloatArray) -> tuple[float, FloatArray]:
        here = start + root @ unit
        apart = here - likelihood.mean
        told, slope = likelihood.told_and_slope(here[:, None])
        value = -float(told[0]) + 0.5 * float(precision @ apart**2)
        return value, root.T @ (precision * apart - slope[:, 0])

    found = minimize(down, np.zeros(start.size), jac=True, method="L-BFGS-B", options={"maxiter": _MOST_STEPS})
    return np.asarray(start + root @ found.x)


def _mean_tau(likelihood: StatusLikelihood, at: Centre) -> float:
    """Mean of tau where the log likelihood is the parabola, whatever the parameters."""
    each = np.array([_precision(likelihood, tau) for tau in TAU])
    whole = at.bend + each[:, None, :] * np.eye(at.natural.size)
    linear = at.bend @ at.natural + at.slope + each * likelihood.mean
    best = np.linalg.solve(whole, linear[:, :, None])[:, :, 0]
    log_density = (
        0.5 * np.log(each).sum(axis=1)
        - 0.5 * np.linalg.slogdet(whole)[1]
        + 0.5 * (linear * best).sum(axis=1)
        - 0.5 * (each * likelihood.mean**2).sum(axis=1)
        - 0.5 * (TAU / TAU_SPREAD) ** 2
        + np.log(TAU)  # the grid is even on the logarithm
    )
    density = np.exp(log_density - log_density.max())
    return float(TAU @ density / density.sum())

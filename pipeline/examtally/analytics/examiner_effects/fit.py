"""Pooling of examiners: the fit, on the highest rung that the data allow."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from examtally.analytics.examiner_effects.binomial import BinomialLikelihood
from examtally.analytics.examiner_effects.effects import Likelihood
from examtally.analytics.examiner_effects.figures import (
    FREE,
    LEAST_FOR_SPREAD,
    RUNGS,
    Pooled,
    Request,
    absent,
    summarise,
)
from examtally.analytics.examiner_effects.hyper import Hyper, Prior, log_prior, score_of
from examtally.analytics.examiner_effects.normal import NormalLikelihood
from examtally.analytics.examiner_effects.sampling import Draws, find_mode, sample, spread_at
from examtally.analytics.intervals import BoolArray, FloatArray
from examtally.processes import one_thread

LEAST_FOR_CORRELATION, LEAST_ESS = 3, 50.0
_NO_SPREAD = -30.0


def pool_counts(
    tp: npt.ArrayLike,
    fp: npt.ArrayLike,
    fn: npt.ArrayLike,
    tn: npt.ArrayLike,
    *,
    level: float = 0.95,
    margin: float = 0.1,
    prior: Prior | None = None,
    seed: int = 20260301,
    draws: int | None = None,
    rung: str = "bivariate",
) -> Pooled:
    """Pool examiners' 2x2 tables by the bivariate binomial-normal model, hyperparameters integrated over.

    `tp`, `fp`, `fn`, `tn` (e,) are knees of every examiner; an examiner without knees of a class is informed by the
    other class and the group. `margin` is the distance below the group's mean, on the probability scale, whose chance
    is given. `draws` of the hyperparameters (default 400 to 1024, by the number of examiners). `rung` is the highest to
    stand on: below 3 examiners with knees of both classes it is univariate, below 2 complete. ValueError for counts
    that are none, and for a level or margin outside 0 to 1.

    Source: Chu H, Cole SR. J Clin Epidemiol 2006;59:1331-1332; priors on standard deviations: Gelman A. Bayesian Anal
    2006;1:515-534.
    """
    cells = [np.atleast_1d(np.asarray(each, dtype=np.float64)) for each in (tp, fp, fn, tn)]
    a, b, c, d = cells
    if len({each.shape for each in cells}) > 1 or a.ndim != 1:
        raise ValueError("tp, fp, fn, tn: one value an examiner each")
    model = BinomialLikelihood(np.column_stack([a, d]), np.column_stack([a + c, d + b]))
    has = np.column_stack([a + c > 0, d + b > 0])
    return _pool(model, has, Request(level, margin, prior or Prior(), seed, draws, rung))


def pool_estimates(
    logits: npt.ArrayLike,
    covariance: npt.ArrayLike,
    *,
    common: FloatArray | None = None,
    level: float = 0.95,
    margin: float = 0.1,
    prior: Prior | None = None,
    seed: int = 20260301,
    draws: int | None = None,
    rung: str = "bivariate",
) -> Pooled:
    """Pool estimated logits, with their covariance, by the bivariate normal-normal model; as `pool_counts` otherwise.

    `logits` (e, 2) of sensitivity and specificity, NaN where there is none; `covariance` (e, 2, 2) within examiners;
    `common` (2, 2) that of an error which moves all of them alike: it widens every figure and no difference.
    ValueError for a covariance that is not positive definite.

    Source: Reitsma JB et al. J Clin Epidemiol 2005;58:982-990.
    """
    model = NormalLikelihood(logits, covariance)
    return _pool(
        model,
        np.isfinite(np.asarray(logits, dtype=np.float64)),
        Request(level, margin, prior or Prior(), seed, draws, rung, common),
    )


def _pool(model: Likelihood, has: BoolArray, request: Request) -> Pooled:
    known: BoolArray = np.asarray(has.any(axis=0))
    note = absent(known)
    if not known.any():
        return Pooled(None, None, None, None, "complete", 0.0, request.prior, request.margin, request.level, note)
    with one_thread():
        for rung in RUNGS[RUNGS.index(_highest(has, request.rung)) :]:
            draws = _draws(model, FREE[rung], request)
            if draws.ess >= LEAST_ESS or rung == "complete":
                break
        return summarise(model, has, draws, rung, request)


def _highest(has: BoolArray, asked: str) -> str:
    """The highest rung the number of examiners allows."""
    allowed = 0 if has.all(axis=1).sum() >= LEAST_FOR_CORRELATION else 1
    if has.sum(axis=0).max() < LEAST_FOR_SPREAD:
        allowed = 2
    return RUNGS[max(allowed, RUNGS.index(asked))]


def _draws(model: Likelihood, free: tuple[bool, ...], request: Request) -> Draws:
    """Draws of all five coordinates, those that are not free at their fixed value."""
    start, mask = _start(model, request.prior), np.array(free)
    fixed = np.where(mask, 0.0, np.array([0.0, 0.0, _NO_SPREAD, _NO_SPREAD, 0.0]))

    def density(of: Likelihood) -> Callable[[FloatArray], FloatArray]:
        def value(part: FloatArray) -> FloatArray:
            points = np.tile(fixed, (len(part), 1))
            points[:, mask] = part
            return of.log_marginal(Hyper.from_scores(points, request.prior)) + log_prior(points, request.prior)

        return value

    mode = find_mode(density(model.coarse), start[mask])
    spread = spread_at(density(model.coarse), mode)
    found = sample(density(model), mode, spread, request.size(model.examiners), request.seed)
    points = np.tile(fixed, (len(found.points), 1))
    points[:, mask] = found.points
    return replace(found, points=points)


def _start(model: Likelihood, prior: Prior) -> FloatArray:
    """Means and spreads from the empirical logits by moments."""
    logits, variance = model.rough()
    start = np.zeros(5)
    for place in range(2):
        known = np.isfinite(variance[:, place])
        if not known.any():
            continue
        y, v = logits[known, place], variance[known, place]
        weight = 1 / (v + 0.1)
        mean = (weight * y).sum() / weight.sum()
        excess = float((weight * ((y - mean) ** 2 - v)).sum() / weight.sum())
        start[place] = mean
        start[2 + place] = score_of(np.sqrt(np.clip(excess, 0.02, 4.0)), prior)
    return start

"""What pooling finds: each examiner's shrunken figure, the spread between them, and where a new one is expected."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit, logit, ndtr, ndtri

from examtally.analytics.examiner_effects.effects import Effects, Likelihood
from examtally.analytics.examiner_effects.hyper import Hyper, Prior, log_prior_ratio
from examtally.analytics.examiner_effects.sampling import Draws
from examtally.analytics.intervals import BoolArray, FloatArray

_STEPS = 60


def weighted_quantile(values: FloatArray, weights: FloatArray, share: float) -> float:
    """The value below which `share` of the weight lies, linear between the middles of the draws' weights."""
    order = np.argsort(values, kind="stable")
    mass = weights[order]
    return float(np.interp(share, np.cumsum(mass) - 0.5 * mass, values[order]))


def shortest_interval(values: FloatArray, weights: FloatArray, level: float) -> tuple[float, float]:
    """The shortest interval that holds `level` of the weight (highest density where there is one peak)."""
    order = np.argsort(values, kind="stable")
    place, below = values[order], np.cumsum(weights[order])
    start = np.concatenate([[0.0], below[:-1]])
    last = np.searchsorted(below, start + level - 1e-12)
    fits = np.flatnonzero(last < place.size)
    if not fits.size:
        return float(place[0]), float(place[-1])
    lengths = place[last[fits]] - place[fits]
    best = fits[int(np.argmin(lengths))]
    return float(place[best]), float(place[last[best]])


def mixture_quantile(mean: FloatArray, sd: FloatArray, weights: FloatArray, share: float) -> FloatArray:
    """Quantile of the mixture over draws of normals, (k,); `mean` and `sd` are (s, k), `weights` (s,).

    Newton's method inside a bracket that only shrinks, from the quantile that the first four cumulants give; the answer
    is right to 1e-6.

    Source: Cornish EA, Fisher RA. Rev Int Stat Inst 1938;5:307-320 (the beginning).
    """
    sd = np.maximum(sd, 1e-9)
    low = (mean - 10.0 * sd).min(axis=0)
    high = (mean + 10.0 * sd).max(axis=0)
    x = np.clip(_by_cumulants(mean, sd, weights, share), low, high)
    precision = 1.0 / sd
    heights = weights[:, None] * precision / np.sqrt(2 * np.pi)
    for _ in range(_STEPS):
        scaled = (x - mean) * precision
        excess = weights @ ndtr(scaled) - share
        scaled *= scaled
        density = (heights * np.exp(-0.5 * scaled)).sum(axis=0)
        low, high = np.where(excess < 0, x, low), np.where(excess < 0, high, x)
        step = x - excess / np.maximum(density, 1e-300)
        following = np.where((step > low) & (step < high), step, 0.5 * (low + high))
        moved = np.abs(following - x).max()
        x = following
        if moved < 1e-6:
            break
    return np.asarray(x)


def _by_cumulants(mean: FloatArray, sd: FloatArray, weights: FloatArray, share: float) -> FloatArray:
    """Roughly the quantile of each mixture, (k,), from its mean, variance, skewness and kurtosis."""
    centre = weights @ mean
    away, within = mean - centre, sd**2
    square = away**2
    variance = weights @ (square + within)
    skew = weights @ (away * (square + 3 * within)) / variance**1.5
    excess = weights @ (square * (square + 6 * within) + 3 * within**2) / variance**2 - 3.0
    z = float(ndtri(share))
    return np.asarray(
        centre
        + np.sqrt(variance)
        * (z + skew * (z**2 - 1) / 6 + excess * (z**3 - 3 * z) / 24 - skew**2 * (2 * z**3 - 5 * z) / 36)
    )


MEASURES = ("sensitivity", "specificity")
RUNGS = ("bivariate", "univariate", "complete")
FREE = {
    "bivariate": (True, True, True, True, True),
    "univariate": (True, True, True, True, False),
    "complete": (True, True, False, False, False),
}
LEAST_FOR_SPREAD = 2


@dataclass(frozen=True)
class Shrunken:
    """Each examiner's pooled figure, (e,) each: mean, limits, and the chance of lying below the group by the margin."""

    estimate: FloatArray
    ci_low: FloatArray
    ci_high: FloatArray
    probability_below: FloatArray


@dataclass(frozen=True)
class Spread:
    """One measure among examiners.

    `mean` is the probability at the mean logit, with limits; `between_sd` the median standard deviation of the logits,
    `sd_low` to `sd_high` the shortest interval that holds it (highest density); `predict_low` to `predict_high` is
    where a new examiner is expected. `sd_half_prior` and `sd_double_prior` are the median with half and twice
    the prior's scale for standard deviations. `correlation` is that of the two logits. None where it cannot be given.
    """

    mean: float
    ci_low: float
    ci_high: float
    examiners: int
    between_sd: float | None = None
    sd_low: float | None = None
    sd_high: float | None = None
    sd_half_prior: float | None = None
    sd_double_prior: float | None = None
    predict_low: float | None = None
    predict_high: float | None = None
    correlation: float | None = None


@dataclass(frozen=True)
class Pooled:
    """A pooled pair of measures; a measure nobody has data for is None, and `note` says why.

    `rung` is bivariate, univariate (the measures apart) or complete (one figure for all, no spread); `ess` the
    effective number of draws behind it.
    """

    sensitivity: Shrunken | None
    specificity: Shrunken | None
    sensitivity_spread: Spread | None
    specificity_spread: Spread | None
    rung: str
    ess: float
    prior: Prior
    margin: float
    level: float
    note: str


@dataclass(frozen=True)
class Request:
    """What is asked of a fit."""

    level: float
    margin: float
    prior: Prior
    seed: int
    draws: int | None
    rung: str
    common: FloatArray | None = None

    def __post_init__(self) -> None:
        if not (0.5 < self.level < 1 and 0 < self.margin < 1):
            raise ValueError("level must lie between 0.5 and 1, margin between 0 and 1")
        if self.rung not in RUNGS:
            raise ValueError(f"rung: one of {', '.join(RUNGS)}")

    def size(self, examiners: int) -> int:
        """Draws: fewer where many examiners make the posterior narrow and each draw dear."""
        return self.draws or int(np.clip(200_000 / max(examiners, 1), 400, 1024))


def summarise(model: Likelihood, has: BoolArray, draws: Draws, rung: str, request: Request) -> Pooled:
    """The figures of one fit; `has` (e, 2) tells who has data for which measure."""
    hyper = Hyper.from_scores(draws.points, request.prior)
    effects = model.effects(hyper)
    if request.common is not None:
        shift = _shared(request.common, draws, request.seed)
        hyper, effects = replace(hyper, mean=hyper.mean + shift), effects.moved(shift)
    known: BoolArray = np.asarray(has.any(axis=0))
    one, two = (
        _shrunken(effects, hyper, draws.weights, place, request) if known[place] else None for place in range(2)
    )
    first, second = (_spread(hyper, draws, place, rung, has, request) if known[place] else None for place in range(2))
    said = {
        "bivariate": "",
        "univariate": "Sensitivity and specificity pooled apart.",
        "complete": "One figure for all: spread between examiners cannot be estimated.",
    }[rung]
    note = " ".join(filter(None, (absent(known), said)))
    return Pooled(one, two, first, second, rung, draws.ess, request.prior, request.margin, request.level, note)


def _shared(common: FloatArray, draws: Draws, seed: int) -> FloatArray:
    """An error that all share, one for each draw, (s, 2)."""
    values, vectors = np.linalg.eigh(common)
    made = np.random.default_rng([seed, 1]).standard_normal((len(draws.points), 2))
    return np.asarray(((made - draws.weights @ made) * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)


def absent(known: BoolArray) -> str:
    """Which measure, of two, nobody has data for."""
    which = [words for words, is_known in zip(("with", "without"), known, strict=True) if not is_known]
    return f"No «noun» {' and none '.join(which)} the condition." if which else ""


def _shrunken(effects: Effects, hyper: Hyper, weights: FloatArray, place: int, request: Request) -> Shrunken:
    mean, sd = effects.mean[..., place], effects.sd[..., place]
    tail = (1 - request.level) / 2
    group = expit(hyper.mean[:, place])
    line = logit(np.clip(group - request.margin, 1e-12, 1.0))[:, None]
    from_below = ndtr((line - mean) / np.maximum(sd, 1e-9))
    return Shrunken(
        estimate=weights @ effects.probability[..., place],
        ci_low=expit(mixture_quantile(mean, sd, weights, tail)),
        ci_high=expit(mixture_quantile(mean, sd, weights, 1 - tail)),
        probability_below=weights @ np.where(group[:, None] > request.margin, from_below, 0.0),
    )


def _spread(hyper: Hyper, draws: Draws, place: int, rung: str, has: BoolArray, request: Request) -> Spread:
    weights, tail = draws.weights, (1 - request.level) / 2
    mean, sd = hyper.mean[:, place], hyper.sd[:, place]
    middle, low, high = (float(expit(weighted_quantile(mean, weights, share))) for share in (0.5, tail, 1 - tail))
    examiners = int(has[:, place].sum())
    if rung == "complete" or examiners < LEAST_FOR_SPREAD:
        return Spread(middle, low, high, examiners)
    sd_low, sd_high = shortest_interval(sd, weights, request.level)
    half, double = (_median_under(draws, hyper, place, factor, request.prior) for factor in (0.5, 2.0))
    predicted = [
        float(expit(mixture_quantile(mean[:, None], sd[:, None], weights, share)[0])) for share in (tail, 1 - tail)
    ]
    return Spread(
        middle,
        low,
        high,
        examiners,
        between_sd=weighted_quantile(sd, weights, 0.5),
        sd_low=sd_low,
        sd_high=sd_high,
        sd_half_prior=half,
        sd_double_prior=double,
        predict_low=predicted[0],
        predict_high=predicted[1],
        correlation=weighted_quantile(hyper.correlation, weights, 0.5) if rung == "bivariate" else None,
    )


def _median_under(draws: Draws, hyper: Hyper, place: int, factor: float, prior: Prior) -> float:
    """The median standard deviation had the prior's scale been that many times as large."""
    other = draws.reweighted(log_prior_ratio(hyper, prior, factor))
    return weighted_quantile(hyper.sd[:, place], other.weights, 0.5)

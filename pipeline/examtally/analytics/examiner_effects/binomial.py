"""Binomial counts with normal logits: the likelihood by adaptive Gauss-Hermite quadrature."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from scipy.special import expit, gammaln

from examtally.analytics.examiner_effects.effects import Curvature, Effects
from examtally.analytics.examiner_effects.hyper import Hyper
from examtally.analytics.intervals import FloatArray

_T = TypeVar("_T")
NODES, _COARSE_NODES = 7, 3
_TOGETHER = 60_000
_NEWTON_STEPS, _LONGEST, _CLOSE = 40, 2.0, 1e-7


class BinomialLikelihood:
    """`events` and `trials` (e, 2) of every examiner: the two logits vary as one bivariate normal.

    Each examiner's integral runs over nodes round the mode of that integrand, scaled by its curvature: fixed nodes
    fail without a sign above some 200 knees. An examiner without trials of a class is informed by the other.

    Source: Chu H, Cole SR. J Clin Epidemiol 2006;59:1331-1332; Liu Q, Pierce DA. Biometrika 1994;81:624-629.
    """

    def __init__(self, events: npt.ArrayLike, trials: npt.ArrayLike, nodes: int = NODES) -> None:
        x, n = np.asarray(events, dtype=np.float64), np.asarray(trials, dtype=np.float64)
        if x.shape != n.shape or x.ndim != 2 or x.shape[1] != 2:
            raise ValueError("events and trials: two columns each, one row an examiner")
        if not (np.isfinite(n).all() and np.isfinite(x).all() and (x >= 0).all() and (x <= n).all()):
            raise ValueError("events and trials: counts, events from 0 to trials")
        self._x, self._n = (np.ascontiguousarray(values.T) for values in (x, n))
        self._nodes = nodes
        self._constant = float((gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1)).sum())

    @property
    def examiners(self) -> int:
        return int(self._x.shape[1])

    @property
    def coarse(self) -> BinomialLikelihood:
        return BinomialLikelihood(self._x.T, self._n.T, _COARSE_NODES)

    def rough(self) -> tuple[FloatArray, FloatArray]:
        x, n = self._x.T, self._n.T
        return np.log((x + 0.5) / (n - x + 0.5)), np.where(n > 0, 1 / (x + 0.5) + 1 / (n - x + 0.5), np.inf)

    def log_marginal(self, hyper: Hyper) -> FloatArray:
        def total(part: Hyper) -> FloatArray:
            return np.asarray(_Integrand(self._x, self._n, part, self._nodes).log_integral.sum(axis=1))

        return self._constant + np.concatenate(self._in_parts(hyper, total))

    def effects(self, hyper: Hyper) -> Effects:
        parts = self._in_parts(hyper, lambda part: _Integrand(self._x, self._n, part, self._nodes).moments())
        return Effects(*(np.concatenate(each) for each in zip(*parts, strict=True)))

    def _in_parts(self, hyper: Hyper, work: Callable[[Hyper], _T]) -> list[_T]:
        """Work on so many points at a time that the arrays stay small."""
        step = max(1, _TOGETHER // (self.examiners * self._nodes**2))
        return [work(hyper[start : start + step]) for start in range(0, len(hyper), step)]


class _Integrand:
    """Every examiner's integrand at every point, evaluated at its nodes: axes first, second, (s, e)."""

    def __init__(self, x: FloatArray, n: FloatArray, hyper: Hyper, nodes: int) -> None:
        self._x, self._n = x, n
        self._mean = hyper.mean[:, :1], hyper.mean[:, 1:]
        self._factor = hyper.factor
        v1, v2, curvature = self._mode()
        c11, c21, c22 = curvature.root()
        place, log_weight = _nodes(nodes)
        axis = place[:, None, None]
        self.v1 = v1 + c11 * axis
        self.v2 = (v2 + c21 * axis)[:, None] + c22 * axis
        self.eta1, self.eta2 = self._logits(self.v1, self.v2)
        eta2 = self.eta2
        own = x[0] * self.eta1 - n[0] * np.logaddexp(0.0, self.eta1) - 0.5 * self.v1**2 + log_weight[:, None, None]
        logs = x[1] * eta2 - n[1] * np.logaddexp(0.0, eta2) - 0.5 * self.v2**2 + log_weight[:, None, None]
        logs += own[:, None]
        top = logs.max(axis=(0, 1))
        self.weight = np.exp(logs - top)
        total = self.weight.sum(axis=(0, 1))
        self.log_integral = top + np.log(total * c11 * c22 / (2 * np.pi))
        self.weight /= total

    def moments(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Mean and standard deviation of the logits, and mean probability, (s, e, 2)."""
        first = self.weight.sum(axis=1)
        means, spreads, chances = [], [], []
        for weight, eta in ((first, self.eta1), (self.weight, self.eta2)):
            axes = tuple(range(weight.ndim - 2))
            mean = (weight * eta).sum(axis=axes)
            means.append(mean)
            spreads.append(np.sqrt((weight * (eta - mean) ** 2).sum(axis=axes)))
            chances.append((weight * expit(eta)).sum(axis=axes))
        return np.stack(means, axis=-1), np.stack(spreads, axis=-1), np.stack(chances, axis=-1)

    def _logits(self, v1: FloatArray, v2: FloatArray) -> tuple[FloatArray, FloatArray]:
        a, c, d = self._factor
        first = v1 if v1.ndim == v2.ndim else v1[:, None]
        return self._mean[0] + a * v1, self._mean[1] + c * first + d * v2

    def _mode(self) -> tuple[FloatArray, FloatArray, Curvature]:
        """Mode of the standardised effects by Newton steps of bounded length, and the curvature there."""
        x, n = self._x, self._n
        a, c, d = self._factor
        crude = np.log((x + 0.5) / (n - x + 0.5))
        weights = n * expit(crude) * expit(-crude)
        curvature = Curvature.of(self._factor, weights[0], 0.0, weights[1])
        r1, r2 = weights[0] * (crude[0] - self._mean[0]), weights[1] * (crude[1] - self._mean[1])
        v1, v2 = curvature.solve(a * r1 + c * r2, d * r2)
        for _ in range(_NEWTON_STEPS):
            eta1, eta2 = self._logits(v1, v2)
            p1, p2 = expit(eta1), expit(eta2)
            curvature = Curvature.of(self._factor, n[0] * p1 * (1 - p1), 0.0, n[1] * p2 * (1 - p2))
            g1, g2 = x[0] - n[0] * p1, x[1] - n[1] * p2
            step1, step2 = curvature.solve(a * g1 + c * g2 - v1, d * g2 - v2)
            length = np.maximum(np.abs(step1), np.abs(step2))
            short = np.minimum(1.0, _LONGEST / np.maximum(length, 1e-300))
            v1, v2 = v1 + short * step1, v2 + short * step2
            if length.max() < _CLOSE**0.5:
                break
        return v1, v2, curvature


@lru_cache(maxsize=8)
def _nodes(count: int) -> tuple[FloatArray, FloatArray]:
    """Places and log weights for the integral of a function that is nearly a standard normal density."""
    place, weight = np.polynomial.hermite.hermgauss(count)
    return np.sqrt(2.0) * place, np.log(weight * np.sqrt(2.0)) + place**2

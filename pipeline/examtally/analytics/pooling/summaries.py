"""Quantiles and shortest intervals of weighted draws, and of mixtures of normals over them."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from examtally.analytics.intervals import FloatArray

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

    Newton's method inside a bracket that only shrinks; the answer is right to 1e-6.
    """
    sd = np.maximum(sd, 1e-9)
    low = (mean - 10.0 * sd).min(axis=0)
    high = (mean + 10.0 * sd).max(axis=0)
    centre = weights @ mean
    x = centre + (share - 0.5) * 4.0 * np.sqrt(weights @ (sd**2 + (mean - centre) ** 2))
    for _ in range(_STEPS):
        scaled = (x - mean) / sd
        excess = weights @ ndtr(scaled) - share
        density = weights @ (np.exp(-0.5 * scaled**2) / sd) / np.sqrt(2 * np.pi)
        low, high = np.where(excess < 0, x, low), np.where(excess < 0, high, x)
        step = x - excess / np.maximum(density, 1e-300)
        following = np.where((step > low) & (step < high), step, 0.5 * (low + high))
        moved = np.abs(following - x).max()
        x = following
        if moved < 1e-6:
            break
    return np.asarray(x)

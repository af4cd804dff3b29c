"""Krippendorff's alpha: agreement of any number of raters, any scale, with ratings missing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from examtally.analytics.intervals import FloatArray


@dataclass(frozen=True)
class Alpha:
    """Alpha with its parts; None where it cannot be estimated, the note says why.

    `observed` and `expected` are disagreements. `ratings` counts the ratings that can be paired, `units` their units.
    """

    estimate: float | None
    observed: float | None
    expected: float | None
    units: int
    ratings: int
    note: str


def krippendorff_alpha(ratings: npt.ArrayLike, scale: str = "nominal") -> Alpha:
    """Agreement beyond chance from `ratings` (raters, units): numbers, NaN or None where a rater has none.

    `scale` is nominal, ordinal, interval or ratio. Units with fewer than two ratings cannot be paired and are left out.
    Raises ValueError for another shape or scale, for infinite ratings, and for negative ones on the ratio scale.
    Krippendorff K. Computing Krippendorff's Alpha-Reliability. University of Pennsylvania 2011;
    Content Analysis, 2nd ed. 2004, chapter 11.
    """
    if scale not in _DISTANCE:
        raise ValueError(f"scale must be one of {', '.join(_DISTANCE)}")
    table = np.asarray(ratings, dtype=np.float64)
    if table.ndim != 2 or np.any(np.isinf(table)) or (scale == "ratio" and np.any(table < 0)):
        raise ValueError("ratings must be finite, raters by units, and not negative on the ratio scale")
    values, by_unit = _value_counts(table)
    if by_unit.shape[0] == 0:
        return Alpha(None, None, None, 0, 0, "No unit was rated twice.")
    together = _coincidences(by_unit)
    margins = together.sum(axis=1)
    n = margins.sum()
    apart = np.outer(margins, margins) - np.diag(margins)
    distance = _DISTANCE[scale](values, margins)
    observed = float((together * distance).sum() / n)
    expected = float((apart * distance).sum() / (n * (n - 1)))
    if expected <= 0:
        note = "Every rating is the same: agreement beyond chance cannot be estimated."
        return Alpha(None, observed, expected, by_unit.shape[0], round(n), note)
    return Alpha(1 - observed / expected, observed, expected, by_unit.shape[0], round(n), "")


def _value_counts(table: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Distinct values (v,), and how often each was given to each unit rated at least twice (units, v)."""
    paired = table[:, (~np.isnan(table)).sum(axis=0) >= 2]
    values = np.unique(paired[~np.isnan(paired)])
    return values, np.asarray((paired[:, :, None] == values).sum(axis=0), dtype=np.float64)


def _coincidences(by_unit: FloatArray) -> FloatArray:
    """Ordered pairs of values within units, each unit weighing as many as it has ratings: shape (v, v)."""
    share = 1 / (by_unit.sum(axis=1) - 1)
    return np.asarray((by_unit * share[:, None]).T @ by_unit - np.diag(share @ by_unit))


def _nominal(values: FloatArray, _: FloatArray) -> FloatArray:
    return np.asarray(values[:, None] != values[None, :], dtype=np.float64)


def _ordinal(_: FloatArray, margins: FloatArray) -> FloatArray:
    """Squared number of ratings between two values, half of the end ones counted."""
    middle = np.cumsum(margins) - margins / 2
    return np.asarray((middle[:, None] - middle[None, :]) ** 2)


def _interval(values: FloatArray, _: FloatArray) -> FloatArray:
    return np.asarray((values[:, None] - values[None, :]) ** 2)


def _ratio(values: FloatArray, _: FloatArray) -> FloatArray:
    total = values[:, None] + values[None, :]
    return np.asarray(((values[:, None] - values[None, :]) / np.where(total > 0, total, 1.0)) ** 2)


_DISTANCE: Mapping[str, Callable[[FloatArray, FloatArray], FloatArray]] = MappingProxyType(
    {"nominal": _nominal, "ordinal": _ordinal, "interval": _interval, "ratio": _ratio}
)

"""Bands of a whole number, and their names."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

ACUITY = ("acute", "subacute", "chronic")


@dataclass(frozen=True)
class Bands:
    """A whole number cut into named bands: `codes[i]` holds `starts[i - 1] <= value < starts[i]`."""

    codes: tuple[str, ...]
    starts: tuple[int, ...]

    @classmethod
    def between(cls, starts: tuple[int, ...]) -> Bands:
        """Name the bands by their limits: under_16, 16_25, …, 60_over."""
        inner = [f"{low}_{high - 1}" for low, high in pairwise(starts)]
        return cls((f"under_{starts[0]}", *inner, f"{starts[-1]}_over"), starts)

    @classmethod
    def cut(cls, group_by: str, cuts: tuple[int, ...]) -> Bands:
        """The bands of a grouping: acuity is cut by last day, the others by the first value of each further band."""
        return cls(ACUITY, tuple(cut + 1 for cut in cuts)) if group_by == "acuity" else cls.between(cuts)

"""What can be worked out from linear sums of whole numbers: exact bounds by integer programming.

A system holds counts that nobody sees, as variables, and what is printed, as weighted sums of them between two limits.
The range of a sum is found by minimizing and maximizing it over all whole numbers that agree with what is printed, in
the part of the system that hangs together with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

MOST = 1_000_000
"""No count is larger."""

FEWEST_VALUES = 5
"""A count of 1 to 10 that is not shown must leave a reader at least this many values it could have."""

_OPTIMAL = 0
Terms = Mapping[str, float]
"""A weighted sum: weight by name of the variable."""


@dataclass(frozen=True)
class Range:
    """The least and the most a count, or a difference of two, can be; ends included."""

    low: int
    high: int

    @property
    def tells(self) -> bool:
        """Whether fewer than five values are left and one of them is small: of 0 to 10 people, more or fewer."""
        return self.high - self.low + 1 < FEWEST_VALUES and self.low <= 10 and self.high >= -10


@dataclass
class System:
    """Whole numbers from 0 on, by name, and weighted sums of them between two limits."""

    names: dict[str, int] = field(default_factory=dict)
    sums: list[tuple[dict[int, float], float, float]] = field(default_factory=list)

    def between(self, terms: Terms, low: float, high: float) -> None:
        """Add that a weighted sum lies between two limits, ends included."""
        self.sums.append((self._places(terms), low, high))

    def equal(self, terms: Terms, value: float) -> None:
        """Add that a weighted sum has a value."""
        self.between(terms, value, value)

    def range(self, terms: Terms) -> Range:
        """The exact range of a weighted sum. Raises ValueError where what is printed contradicts itself."""
        wanted = self._places(terms)
        known = self._substituted()
        if wanted.keys() <= known.keys():
            value = round(sum(weight * known[place] for place, weight in wanted.items()))
            return Range(value, value)
        places, rows = self._around(set(wanted))
        column = {place: number for number, place in enumerate(places)}
        weights = np.zeros(len(places))
        for place, weight in wanted.items():
            weights[column[place]] = weight
        entries = [(n, column[place], weight) for n, r in enumerate(rows) for place, weight in self.sums[r][0].items()]
        constraints = []
        if entries:
            at, of, values = zip(*entries, strict=True)
            matrix = csr_array((values, (at, of)), shape=(len(rows), len(places)))
            constraints = [LinearConstraint(matrix, *zip(*[self.sums[r][1:] for r in rows], strict=True))]
        return Range(_least(weights, constraints), -_least(-weights, constraints))

    def _places(self, terms: Terms) -> dict[int, float]:
        return {self.names.setdefault(name, len(self.names)): weight for name, weight in terms.items()}

    def _substituted(self) -> dict[int, float]:
        """The variables that follow one after the other from sums with a single unknown."""
        known: dict[int, float] = {}
        is_moving = True
        while is_moving:
            is_moving = False
            for terms, low, high in self.sums:
                unknown = [place for place in terms if place not in known]
                if low == high and len(unknown) == 1:
                    rest = sum(weight * known[place] for place, weight in terms.items() if place in known)
                    known[unknown[0]] = (low - rest) / terms[unknown[0]]
                    is_moving = True
        return known

    def _around(self, wanted: set[int]) -> tuple[list[int], list[int]]:
        """The variables and sums that hang together with these variables."""
        places, rows = set(wanted), set[int]()
        while True:
            fresh = {r for r, (terms, _, _) in enumerate(self.sums) if r not in rows and places & terms.keys()}
            if not fresh:
                return sorted(places), sorted(rows)
            rows |= fresh
            places |= {other for r in fresh for other in self.sums[r][0]}


def _least(weights: np.ndarray, constraints: list[LinearConstraint]) -> int:
    found = milp(weights, constraints=constraints, integrality=np.ones(weights.size), bounds=Bounds(0, MOST))
    if found.status != _OPTIMAL:
        raise ValueError("what is printed contradicts itself")
    return round(float(found.fun))

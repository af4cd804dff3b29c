"""What the chances of a scenario may depend on: named columns of one kind of row (people, knees, looks, exams).

A plain name (`trauma`, `acl_tear`, `person.laxity`) is a column of numbers. A dotted name (`setting.clinic`,
`acl_tear.partial`) is 1 where the coded column holds that code and 0 elsewhere, blanks included.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

Floats: TypeAlias = npt.NDArray[np.float64]
Bools: TypeAlias = npt.NDArray[np.bool_]
Indices: TypeAlias = npt.NDArray[np.int64]
Array: TypeAlias = npt.NDArray[Any]

BLANK = -1


@dataclass(frozen=True)
class Coded:
    """A column of codes: `index[i]` is the place of row i's code in `codes`, BLANK where it has none."""

    codes: tuple[str, ...]
    index: Indices

    def where(self, keep: Bools) -> Coded:
        """Blank the rows that are not kept."""
        return Coded(self.codes, np.where(keep, self.index, BLANK))

    def at(self, rows: Indices) -> Coded:
        """The column of `rows`, in that order."""
        return Coded(self.codes, self.index[rows])

    def equals(self, code: str) -> Bools:
        """Which rows hold `code`; none where the column never does."""
        place = self.codes.index(code) if code in self.codes else len(self.codes)
        return np.asarray(self.index == place)

    def text(self) -> npt.NDArray[np.object_]:
        """The codes as text, None where blank."""
        return np.array([*self.codes, None], dtype=object)[self.index]


@dataclass
class Features:
    """Columns of one kind of row; `rows` is their common length."""

    rows: int
    numbers: dict[str, Array] = field(default_factory=dict)
    coded: dict[str, Coded] = field(default_factory=dict)

    def column(self, name: str) -> Floats:
        """The column called `name` as float64, shape (rows,); KeyError where there is none."""
        if name in self.numbers:
            return self.numbers[name].astype(np.float64)
        head, _, code = name.rpartition(".")
        return self.coded[head].equals(code).astype(np.float64)

    def add(self, **columns: Array | Coded) -> None:
        """Add columns under plain names."""
        self.update(columns)

    def update(self, columns: Mapping[str, Array | Coded]) -> None:
        """Add columns under any names."""
        for name, column in columns.items():
            if isinstance(column, Coded):
                self.coded[name] = column
            else:
                self.numbers[name] = column

    def at(self, rows: Indices) -> Features:
        """The same columns for `rows`, in that order: how what is true of a knee becomes true of its exams."""
        return Features(
            len(rows),
            {name: column[rows] for name, column in self.numbers.items()},
            {name: column.at(rows) for name, column in self.coded.items()},
        )

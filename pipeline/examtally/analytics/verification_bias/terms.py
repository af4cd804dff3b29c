"""The terms of the verification and disease models of a condition, in a fixed order and never too many.

A term is one coefficient. There is at most one for every five verified knees of the smaller class (with or without the
condition); terms enter by variable, whole, in the stated order, until one no longer fits.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import logit

from examtally.analytics.intervals import BoolArray, FloatArray

KNEES_A_TERM = 5
_FEWEST = 10  # knees, verified and not, below which a level of its own joins the other levels
_CLIP = 0.02


@dataclass(frozen=True)
class Variable:
    """One variable as columns, (n, k), each named by `terms`."""

    name: str
    terms: tuple[str, ...]
    columns: FloatArray


@dataclass(frozen=True)
class Design:
    """Columns of the models, (n, k), their names, and the variables that entered and were left out."""

    columns: FloatArray
    terms: tuple[str, ...]
    variables: tuple[str, ...]
    left_out: tuple[str, ...]


def most_terms(present: BoolArray, verified: BoolArray) -> int:
    """Most terms the verified knees allow: one for every five of the smaller class."""
    with_condition = int((present & verified).sum())
    return min(with_condition, int(verified.sum()) - with_condition) // KNEES_A_TERM


def choose(variables: Iterable[Variable], most: int) -> Design:
    """Take variables in their order while their columns fit within `most`; those that say nothing new are skipped."""
    taken: list[Variable] = []
    left_out: list[str] = []
    seen: set[bytes] = set()
    room = most
    for variable in variables:
        variable = _new_columns(variable, seen)
        if not variable.terms:
            continue
        if left_out or len(variable.terms) > room:
            left_out.append(variable.name)
            continue
        taken.append(variable)
        room -= len(variable.terms)
        seen |= {_mark(column) for column in variable.columns.T}
    rows = [variable.columns for variable in taken]
    return Design(
        columns=np.column_stack(rows) if rows else np.zeros((0, 0)),
        terms=tuple(term for variable in taken for term in variable.terms),
        variables=tuple(variable.name for variable in taken),
        left_out=tuple(left_out),
    )


def clear_findings(results: pl.Series) -> tuple[BoolArray, BoolArray]:
    """Which results of a maneuver are clear, and which are positive, (n,) each."""
    positive, negative = ((results == word).to_numpy() for word in ("positive", "negative"))
    return positive | negative, positive


def categories(values: pl.Series) -> tuple[str, ...]:
    """The codes of a column of an Enum type, in their order; TypeError for a column of another type."""
    kind = values.dtype
    if not isinstance(kind, pl.Enum):
        raise TypeError(f"{values.name} is not of an Enum type")
    return tuple(kind.categories)


def levels(name: str, values: pl.Series, reference: str | None = None, kept: tuple[str, ...] = ()) -> Variable:
    """One 0/1 column for every level but `reference`; rare ones, unless `kept`, share a column, unseen ones have none.

    `values` is of an Enum type; a missing value is a level. The level met most is the reference where none is named.
    """
    words: list[str | None] = [None, *categories(values)]
    codes = values.to_physical().cast(pl.Int32)
    code = (codes.fill_null(-1) if codes.null_count() else codes).to_numpy() + 1
    met = np.bincount(code, minlength=len(words))
    seen = [int(place) for place in np.lexsort((np.arange(met.size), -met)) if met[place]]
    base = words[seen[0]] if reference is None and seen else reference
    shown = [place for place in seen if words[place] != base]
    named = [place for place in shown if met[place] >= _FEWEST or words[place] in kept]
    rare = [place for place in shown if place not in named]
    terms = [f"{name}_{words[place]}" for place in named]
    columns = [code == place for place in named]
    if rare:
        terms.append(f"{name}_other")
        columns.append(np.isin(code, rare))
    stacked = np.column_stack(columns) if columns else np.zeros((len(values), 0))
    return Variable(name, tuple(terms), stacked.astype(np.float64))


def probability(name: str, values: pl.Series) -> Variable:
    """A stated probability on the log-odds scale, kept away from 0 and 1, and a column for where it is missing."""
    stated = values.cast(pl.Float64).to_numpy()
    missing = np.isnan(stated)
    odds = np.where(missing, 0.0, logit(np.clip(np.where(missing, 0.5, stated), _CLIP, 1 - _CLIP)))
    return Variable(name, (f"{name}_log_odds", f"{name}_missing"), np.column_stack([odds, missing.astype(np.float64)]))


def _new_columns(variable: Variable, seen: set[bytes]) -> Variable:
    """The variable without columns that are constant or copies of earlier ones."""
    kept: list[int] = []
    marks = set(seen)
    for place, column in enumerate(variable.columns.T):
        if np.ptp(column) > 0 and _mark(column) not in marks:
            kept.append(place)
            marks.add(_mark(column))
    return Variable(variable.name, tuple(variable.terms[place] for place in kept), variable.columns[:, kept])


def _mark(column: FloatArray) -> bytes:
    return np.ascontiguousarray(column).tobytes()

"""What a model may know: history first, then the maneuvers, never more terms than the knees allow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from examtally.analytics.intervals import BoolArray, FloatArray, IntArray
from examtally.analytics.verification_bias.terms import KNEES_A_TERM, Variable, choose, clear_findings, levels
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.estimates import maneuvers_for
from examtally.contracts.protocol.protocol import Protocol

ANSWERS = ("yes", "no", "unknown")
_MIDDLE_AGE, _DECADE = 40.0, 10.0


@dataclass(frozen=True)
class Predictors:
    """Knees of one condition whose status is known: columns of history (n, h), and of history and maneuvers (n, e).

    `left_out` names the variables there was no room for; the terms name the columns.
    """

    present: BoolArray
    participant: IntArray
    history: FloatArray
    history_terms: tuple[str, ...]
    exam: FloatArray
    exam_terms: tuple[str, ...]
    left_out: tuple[str, ...]

    @property
    def events(self) -> int:
        """Knees with the condition."""
        return int(self.present.sum())

    @property
    def people(self) -> tuple[int, int]:
        """People with a knee that has the condition, and with one that has not."""
        has, has_not = self.participant[self.present], self.participant[~self.present]
        return np.unique(has).size, np.unique(has_not).size


def candidates(condition: str, contract: Contract, protocol: Protocol) -> tuple[str, ...]:
    """The maneuvers a model of `condition` may use: its own, then the other diagnostic ones where the protocol says."""
    own = maneuvers_for(condition, contract)
    catalogue = contract.catalogue.maneuvers
    if protocol.modelling.candidates == "own":
        return own
    others = (code for code, maneuver in catalogue.items() if maneuver.purpose == "diagnostic" and code not in own)
    return (*own, *others)


def predictors(known: pl.DataFrame, condition: str, contract: Contract, protocol: Protocol) -> Predictors:
    """Columns of the models of `condition` from the rows of a diagnostic frame whose status is known.

    There is one term for every five knees of the smaller class at most. Variables enter whole and in order: age, onset,
    history items, mechanism; then core maneuvers and those done most. Half of the room is kept for maneuvers where
    both cannot have all they ask for. An answer that is missing, and an equivocal, not done or not recorded
    maneuver, is a level of its own; levels of fewer than 10 knees share one. Where half of the room does not hold all
    maneuvers so, those three are one level.
    """
    present = known[f"present_{condition}"].cast(pl.Boolean).to_numpy()
    told = [_age(known["age_years"]), _onset(known["days_since_onset"])]
    told += [_answer(item, known[f"history_{item}"]) for item in contract.catalogue.history]
    told.append(_mechanism(known["mechanism"]))
    room = min(int(present.sum()), int((~present).sum())) // KNEES_A_TERM
    maneuvers = _in_order(known, candidates(condition, contract, protocol), contract)
    found = [levels(m, known[f"result_{m}"], "negative", ("positive",)) for m in maneuvers]
    if sum(len(variable.terms) for variable in found) > room // 2:
        found = [short_form(m, known[f"result_{m}"]) for m in maneuvers]
    wanted = sum(len(variable.terms) for variable in found)
    history = choose(told, room - min(wanted, room // 2))
    of_maneuvers = choose(found, room - len(history.terms))
    first, second = _rows(history.columns, known.height), _rows(of_maneuvers.columns, known.height)
    return Predictors(
        present=present,
        participant=np.unique(known["participant"].to_numpy(), return_inverse=True)[1].astype(np.int64),
        history=first,
        history_terms=history.terms,
        exam=np.column_stack([first, second]),
        exam_terms=(*history.terms, *of_maneuvers.terms),
        left_out=(*history.left_out, *of_maneuvers.left_out),
    )


def short_form(maneuver: str, results: pl.Series) -> Variable:
    """A maneuver in two columns: positive, and without a finding (equivocal, not done or not recorded)."""
    kept = ["negative", "positive", "no_finding"]
    short = results.cast(pl.String).replace(dict.fromkeys(("equivocal", "not_done", "not_recorded"), kept[-1]))
    return levels(maneuver, short.cast(pl.Enum(kept)), "negative", tuple(kept))


def _in_order(known: pl.DataFrame, maneuvers: Sequence[str], contract: Contract) -> list[str]:
    """Core maneuvers, then those with most findings; equals in the order given."""
    done = {m: clear_findings(known[f"result_{m}"])[0].sum() for m in maneuvers}
    return sorted(maneuvers, key=lambda m: (not contract.catalogue.maneuvers[m].core, -done[m]))


def _age(years: pl.Series) -> Variable:
    value, missing = _gaps(years)
    decades = np.where(missing, 0.0, (value - _MIDDLE_AGE) / _DECADE)
    columns = np.column_stack([decades, decades**2, missing])
    return Variable("age", ("age_decades", "age_decades_squared", "age_unknown"), columns)


def _onset(days: pl.Series) -> Variable:
    value, missing = _gaps(days)
    columns = np.column_stack([np.where(missing, 0.0, np.log1p(np.maximum(value, 0.0))), missing])
    return Variable("onset", ("onset_log_days", "onset_unknown"), columns)


def _answer(item: str, answers: pl.Series) -> Variable:
    heard = answers.cast(pl.String).replace("not_recorded", "unknown").cast(pl.Enum(ANSWERS))
    return levels(item, heard, "no", ("yes",))


def _mechanism(codes: pl.Series) -> Variable:
    """Mechanisms against the one met most."""
    return levels("mechanism", codes)


def _gaps(values: pl.Series) -> tuple[FloatArray, FloatArray]:
    """Values with 0 for gaps, and 1 where there is one."""
    numbers = values.cast(pl.Float64)
    return numbers.fill_null(0.0).to_numpy(), numbers.is_null().cast(pl.Float64).to_numpy()


def _rows(columns: FloatArray, height: int) -> FloatArray:
    return columns if columns.shape[0] == height else np.zeros((height, 0))


def knees_of(frame: pl.DataFrame, condition: str) -> pl.DataFrame:
    """Rows of a diagnostic frame whose status of `condition` is known."""
    return frame.filter(pl.col(f"present_{condition}").is_not_null())


def refusal(present: npt.ArrayLike, participant: npt.ArrayLike, protocol: Protocol) -> str:
    """Why no model can be made of these knees, in a plain sentence; empty where one can."""
    is_present, who = np.asarray(present, dtype=bool), np.asarray(participant)
    least = protocol.modelling.min_events
    people = np.unique(who[is_present]).size, np.unique(who[~is_present]).size
    parts = protocol.modelling.folds + protocol.modelling.inner_folds
    if min(people) >= least and np.unique(who).size < parts:
        return f"Too few to model: {np.unique(who).size} people cannot be dealt into so many parts; needs {parts}."
    if min(people) >= least:
        return ""
    return (
        f"Too few to model: {is_present.size} verified «nouns», {people[0]} people with the condition and {people[1]} "
        f"without; needs {least} of each."
    )

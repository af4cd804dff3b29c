"""The size that a study was planned for against what its analysis had: the table `study_size`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from examtally.contracts.results import conform
from examtally.contracts.study.study import Study
from examtally.studies.aims import KAPPA, WITH_POWER, Aim, Goal, contradiction, needs
from examtally.studies.declared import OVERALL
from examtally.studies.planning import planned_aim
from examtally.studies.rates import Rates

_ALL = "all"
_PAIR = 2
_SCHEMA: dict[str, type[pl.DataType]] = dict.fromkeys(("quantity", "measure", "group"), pl.String) | dict.fromkeys(
    ("planned", "reached"), pl.Float64
)


def size_table(study: Study, rates: Rates | None, tables: Mapping[str, pl.DataFrame], status: str) -> pl.DataFrame:
    """Return the table `study_size`, from the registry's rates and the result tables of the study.

    Without a stated aim (`rates` None) it is empty.
    """
    rows = [] if rates is None else list(_rows(study, rates, planned_aim(study, rates), tables))
    return conform("study_size", pl.DataFrame(rows, schema=_SCHEMA, orient="row"), status=status)


def planned_tests(study: Study) -> tuple[str, ...]:
    """The index tests that the size is for; empty where the protocol states no aim, or numbers that no size has."""
    planned, primary = study.planned_size, study.primary[0]
    if planned.aim is None or any(name not in planned.numbers for name in needs(planned)):
        return ()
    if contradiction(planned, study.alpha / 2):
        return ()
    if planned.aim == "paired":
        return primary.tests if len(primary.tests) == _PAIR else ()
    return (planned.test or primary.tests[0],)


Row = tuple[str, str, str, float | None, float | None]


def _rows(study: Study, rates: Rates, aim: Aim, tables: Mapping[str, pl.DataFrame]) -> Iterator[Row]:
    yield "examined", _ALL, _ALL, study.planned_size.knees, rates.recorded
    for goal in aim.goals:
        found = _FOUND[goal.aim](study, goal.measure, rates, tables)
        groups = tuple(rates.groups) or ("first", "second") if goal.aim == "unpaired" else (_ALL,)
        wanted = goal.needed() or (None,) * len(groups)
        for group, planned, reached in zip(groups, wanted, found.knees or (None,) * len(groups), strict=True):
            yield "in_analysis", goal.measure, group, planned, reached
        if goal.aim in WITH_POWER:
            yield "power", goal.measure, _ALL, goal.power, _power(goal, found.knees)
        quantity = goal.aim if goal.aim == "lower_limit" else "difference"
        quantity = quantity if goal.aim in WITH_POWER else "half_width"
        yield quantity, goal.measure, _ALL, goal.wanted, found.wanted
        yield "expected", goal.measure, groups[0], goal.expected, found.estimate


def _power(goal: Goal, knees: tuple[float, ...]) -> float | None:
    if not knees or min(knees) < 1:
        return None
    return goal.reached_by(*knees) if goal.aim == "unpaired" else goal.reached(knees[0])


@dataclass(frozen=True)
class _Found:
    """What the analysis had: knees by group, what was wanted of it, the measure itself."""

    knees: tuple[float, ...] = ()
    wanted: float | None = None
    estimate: float | None = None


def _one(frame: pl.DataFrame | None, **key: str) -> dict[str, Any] | None:
    """The row under this key; None where the table has none."""
    if frame is None:
        return None
    found = frame.filter(*(pl.col(name) == value for name, value in key.items()))
    return found.row(0, named=True) if found.height else None


def _half(row: Mapping[str, Any]) -> float | None:
    return None if row["ci_low"] is None else (row["ci_high"] - row["ci_low"]) / 2


def _of_one_test(study: Study, measure: str, _rates: Rates, tables: Mapping[str, pl.DataFrame]) -> _Found:
    (test,) = planned_tests(study)
    key = {"maneuver": test, "measure": measure, "group_by": OVERALL, "adjustment": "none"}
    row = _one(tables.get("accuracy"), **key)
    if row is None:
        return _Found()
    wanted = row["ci_low"] if study.planned_size.aim == "lower_limit" else _half(row)
    return _Found((row["n"],), wanted, row["estimate"])


def _of_pairs(study: Study, measure: str, _rates: Rates, tables: Mapping[str, pl.DataFrame]) -> _Found:
    tests = [test.code for test in study.selection.tests if test.code in planned_tests(study)]
    key = {"maneuver_a": tests[0], "maneuver_b": tests[1], "measure": measure, "contrast": "difference"}
    row = _one(tables.get("comparisons"), **key, group_by=OVERALL, adjustment="none")
    return _Found() if row is None else _Found((row["n"],), row["difference"], row["estimate_a"])


def _of_groups(study: Study, measure: str, rates: Rates, tables: Mapping[str, pl.DataFrame]) -> _Found:
    if not rates.groups:
        return _Found()
    (test,), groups = planned_tests(study), tuple(rates.groups)
    key = {"maneuver": test, "measure": measure, "group_a": groups[0], "group_b": groups[1], "adjustment": "none"}
    row = _one(tables.get("interactions"), **key)
    return _Found() if row is None else _Found((row["n_a"], row["n_b"]), row["difference"], row["estimate_a"])


def _of_kappa(study: Study, _measure: str, _rates: Rates, tables: Mapping[str, pl.DataFrame]) -> _Found:
    (test,) = planned_tests(study)
    key = {"maneuver": test, "group_by": study.primary[0].pairs_of, "statistic": "cohen_kappa"}
    row = _one(tables.get("agreement"), **key)
    return _Found() if row is None else _Found((row["pairs"],), _half(row), row["estimate"])


_FOUND = {
    "half_width": _of_one_test,
    "lower_limit": _of_one_test,
    "paired": _of_pairs,
    "unpaired": _of_groups,
    KAPPA: _of_kappa,
}

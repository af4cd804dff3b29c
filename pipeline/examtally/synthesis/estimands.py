"""What is true of a drawn clinic: parameter and analysis-set estimands of every maneuver, condition and group.

Each exam and maneuver has a probability p of a positive finding given everything but the coin: the knee, the person,
the hands, the day. With D the condition truly present, sensitivity is the mean of p where D, specificity 1 minus the
mean of p where not D, over

- the reference population (`parameter`): first exams of a very large clinic of the same scenario and examiners;
- `eligible`: the mature index exams of the records, whether or not the maneuver was recorded;
- `interpretable`: those of them with a positive or negative finding;
- `verified`: those of these whose condition a reference test settled inside the window.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from examtally.contracts.contract import Contract
from examtally.synthesis.clinic import Clinic
from examtally.synthesis.features import Array, Bools, Floats, Indices
from examtally.synthesis.findings import NEGATIVE, POSITIVE, Found
from examtally.synthesis.imaging import ABSENT, PRESENT, Answer
from examtally.synthesis.membership import Grouped, Members
from examtally.synthesis.record_tables import Drawn

Row: TypeAlias = dict[str, str | float | int | None]

SETS = ("eligible", "interpretable", "verified")
OVERALL = "overall"


@dataclass(frozen=True)
class Truth:
    """The hidden side of a clinic, or of a part of it, in the order of exam identifiers.

    `present[c][i]`: whether condition c is truly there in exam i. `readings` counts what reference tests said, by
    modality and condition: truly present, of them called present, truly absent, of them called absent.
    """

    found: Found
    present: Mapping[str, Bools]
    readings: Mapping[tuple[str, str], Indices]

    @classmethod
    def of(cls, drawn: Drawn, contract: Contract) -> Truth:
        """Keep what is needed of one part."""
        exams = drawn.seen.exams.numbers
        return cls(
            drawn.found,
            {code: exams[code] for code in contract.catalogue.conditions if code in exams},
            {
                (test.modality, condition): _counts(answer)
                for test in drawn.tests
                for condition, answer in test.said.items()
            },
        )

    @classmethod
    def joined(cls, parts: Sequence[Truth]) -> Truth:
        """Join the parts of a clinic."""
        first = parts[0]
        found = Found(
            first.found.maneuvers,
            np.concatenate([part.found.probability for part in parts]),
            np.concatenate([part.found.result for part in parts]),
        )
        present = {code: np.concatenate([part.present[code] for part in parts]) for code in first.present}
        readings = {key: np.sum([part.readings[key] for part in parts], axis=0) for key in first.readings}
        return cls(found, present, readings)


def accuracy_rows(clinic: Clinic, truth: Truth, members: Members) -> Iterator[Row]:
    """Sensitivity and specificity of every pair the scenario has a truth for, by every public grouping."""
    groupings = [(grouping, _reference_places(clinic, grouping)) for grouping in members.groupings]
    reference = clinic.reference
    for condition, maneuver in pairs(clinic.context.contract, truth):
        column = truth.found.maneuvers.index(maneuver)
        sets = _Sets(truth, members, condition, column)
        population = (reference.exams.numbers[condition], reference.found.probability[:, column].astype(np.float64))
        for grouping, places in groupings:
            estimands = sets.means(grouping)
            for is_present, measure in ((True, "sensitivity"), (False, "specificity")):
                parameter = _means(population[1], (population[0] == is_present), places, len(grouping.labels))
                seen = parameter.rows + estimands[SETS[0], is_present].rows > 0
                for place in np.flatnonzero(seen).tolist():
                    yield {
                        "condition": condition,
                        "maneuver": maneuver,
                        "group_by": grouping.name,
                        "group": grouping.labels[place],
                        "measure": measure,
                        **_stated("parameter", parameter, place, is_present, with_error=True),
                        **{
                            name: value
                            for each in SETS
                            for name, value in _stated(each, estimands[each, is_present], place, is_present).items()
                        },
                    }


def prevalence_rows(clinic: Clinic, truth: Truth, members: Members) -> Iterator[Row]:
    """How often each condition is there: in the reference population, and among mature index exams."""
    overall = next(grouping for grouping in members.groupings if grouping.name == OVERALL)
    for condition, present in truth.present.items():
        population = clinic.reference.exams.numbers[condition]
        eligible = members.eligible(overall, condition)
        settled = eligible & members.settled(condition)
        yield {
            "condition": condition,
            "parameter": float(population.mean()),
            "parameter_rows": len(population),
            "eligible": float(present[eligible].mean()) if eligible.any() else None,
            "eligible_rows": int(eligible.sum()),
            "verified": float(present[settled].mean()) if settled.any() else None,
            "verified_rows": int(settled.sum()),
        }


def pairs(contract: Contract, truth: Truth) -> list[tuple[str, str]]:
    """The (condition, maneuver) pairs of the catalogue that the scenario has a truth for."""
    return [
        (condition, maneuver)
        for condition, maneuver in contract.catalogue.pairs
        if condition in truth.present and maneuver in truth.found.maneuvers
    ]


@dataclass(frozen=True)
class _Means:
    """Mean of p, rows and standard error, by group."""

    mean: Floats
    rows: Indices
    error: Floats


class _Sets:
    """The analysis sets of one pair."""

    def __init__(self, truth: Truth, members: Members, condition: str, column: int) -> None:
        self._members, self._condition = members, condition
        self._present = truth.present[condition]
        self._probability = truth.found.probability[:, column].astype(np.float64)
        self._interpretable = np.isin(truth.found.result[:, column], (POSITIVE, NEGATIVE))
        self._settled = members.settled(condition)

    def means(self, grouping: Grouped) -> Mapping[tuple[str, bool], _Means]:
        """Mean of p by group, for each analysis set, where the condition is present and where it is absent."""
        eligible = self._members.eligible(grouping, self._condition)
        interpretable = eligible & self._interpretable
        sets = dict(zip(SETS, (eligible, interpretable, interpretable & self._settled), strict=True))
        return {
            (name, is_present): _means(
                self._probability, among & (self._present == is_present), grouping.place, len(grouping.labels)
            )
            for name, among in sets.items()
            for is_present in (True, False)
        }


def _means(probability: Floats, among: Bools, places: Array, groups: int) -> _Means:
    """Rows with a negative place belong to no group."""
    rows = np.flatnonzero(among & (places >= 0))
    count = np.bincount(places[rows], minlength=groups)
    total = np.bincount(places[rows], weights=probability[rows], minlength=groups)
    squares = np.bincount(places[rows], weights=probability[rows] ** 2, minlength=groups)
    safe = np.maximum(count, 1)
    mean = total / safe
    variance = np.maximum(squares / safe - mean**2, 0.0)
    return _Means(mean, count, np.sqrt(variance / safe))


def _stated(name: str, means: _Means, place: int, is_present: bool, with_error: bool = False) -> Row:
    rows = int(means.rows[place])
    mean = float(means.mean[place])
    stated: Row = {name: (mean if is_present else 1.0 - mean) if rows else None, f"{name}_rows": rows}
    if with_error:
        stated[f"{name}_error"] = float(means.error[place]) if rows > 1 else None
    return stated


def _reference_places(clinic: Clinic, grouping: Grouped) -> Array:
    """Each exam of the reference population in the groups of a grouping, -1 where it has none of them."""
    exams, scenario = clinic.reference.exams, clinic.context.scenario
    labels = {label: place for place, label in enumerate(grouping.labels)}
    if grouping.name in exams.coded:
        codes, index = exams.coded[grouping.name].codes, exams.coded[grouping.name].index
    elif grouping.name == "period":
        codes, index = scenario.periods.labels, exams.numbers["period"]
    elif grouping.name == "examiner":
        codes, index = tuple(each.code for each in scenario.examiners), exams.numbers["examiner"]
    else:
        codes, index = grouping.labels, np.full(exams.rows, 0 if grouping.name == OVERALL else -1)
    return np.array([*(labels.get(code, -1) for code in codes), -1])[index]


def _counts(answer: Answer) -> Indices:
    present, absent = (answer.mentioned & (answer.status == status) for status in (PRESENT, ABSENT))
    clear = present | absent
    sets = (clear & answer.truly, present & answer.truly, clear & ~answer.truly, absent & ~answer.truly)
    return np.array([each.sum() for each in sets])

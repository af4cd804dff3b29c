"""The names that the chances of a scenario depend on, each held to what is known at its moment."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import fields
from functools import cache
from typing import TYPE_CHECKING, Any, get_args, get_type_hints

from examtally.contracts.checks import nearest
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Faults, Section, Steps
from examtally.synthesis.chance import Known, Level, Rate, Weight, Weights
from examtally.synthesis.vocabulary import Vocabulary, dotted

if TYPE_CHECKING:
    from examtally.synthesis.scenario import ScenarioFile

Moments = Mapping[str, Collection[str]]
_FEATURES = {Rate: "odds", Weight: "times", Level: "add"}


def present_conditions(conditions: Collection[str], contract: Contract) -> tuple[str, ...]:
    """The conditions with a truth: those of the scenario, and those derived from them."""
    declared = contract.catalogue.conditions.items()
    return tuple(
        code
        for code, one in declared
        if code in conditions or (one.derived_from and {*one.derived_from} <= {*conditions})
    )


def check_names(file: ScenarioFile, known: Vocabulary, faults: Faults) -> None:
    """Note in `faults` every name that is not known at its moment, and conditions that the scenario has not."""
    severities = {code: faults.top.keys("conditions", code, "severity") for code in faults.top.keys("conditions")}
    moments = known.moments(severities)
    for part in ("people", "complaints", "visits", "sheet", "habits", "writing", "history"):
        _check(getattr(file, part), (part,), (), moments, faults)
    above: dict[str, tuple[str, ...]] = {}
    for code, codes in severities.items():
        if code in file.conditions:
            _check(file.conditions[code], ("conditions", code), (), {"truth": known.truth(above)}, faults)
        above[code] = codes
    for code, entry in file.maneuvers.items():
        is_graded = bool(known.contract.catalogue.maneuvers[code].grades)
        own = moments if is_graded else {**moments, "grade": moments["driver"]}
        _check(entry, ("maneuvers", code), (), own, faults)
    present = present_conditions(severities, known.contract)
    _check_keys(file.forecasts.conditions, ("forecasts", "conditions"), present, faults)
    for code, stage in file.forecasts.stages.items():
        for index, term in enumerate(stage.terms):
            if term not in moments["reference"]:
                problem = f"'{term}' is not a name known at this point"
                place = ("forecasts", "stages", code, "terms", index)
                faults.add(place, problem, nearest(term, moments["reference"]))
    names = tuple(moments["reference"])
    for code in faults.top.keys("references"):
        if code in file.references:
            test = file.references[code]
            _check(test, ("references", code), (), {"reference": names}, faults)
            _check_keys(test.covers, ("references", code, "covers"), present, faults)
        names = (*names, code, *dotted(code, faults.top.keys("references", code, "covers")))


def _check(value: Any, place: Steps, names: Collection[str], moments: Moments, faults: Faults) -> None:
    """Everything below a value; `names` are those known at its moment."""
    if type(value) in _FEATURES:
        key = _FEATURES[type(value)]
        _check_keys(getattr(value, key), (*place, key), names, faults)
    elif isinstance(value, Weights):
        _check_all(value.of, place, names, moments, faults)
    elif isinstance(value, Section):
        for name, moment in _moments_of(type(value)).items():  # type: ignore[arg-type]  # a class can be hashed
            _check(getattr(value, name), (*place, name), moments.get(moment, ()), moments, faults)
    elif isinstance(value, Mapping) and names and all(isinstance(one, float) for one in value.values()):
        _check_keys(value, place, names, faults)
    elif isinstance(value, Mapping):
        _check_all(value, place, names, moments, faults)


def _check_all(
    values: Mapping[str, Any], place: Steps, names: Collection[str], moments: Moments, faults: Faults
) -> None:
    for code, one in values.items():
        _check(one, (*place, code), names, moments, faults)


def _check_keys(keys: Iterable[str], place: Steps, names: Collection[str], faults: Faults) -> None:
    for name in keys:
        if name not in names:
            faults.add((*place, name), f"unknown key '{name}'", nearest(name, names))


@cache
def _moments_of(kind: Any) -> Mapping[str, str]:
    """The moment of each key of a section; blank where it holds no chance of its own."""
    hints = get_type_hints(kind, include_extras=True)
    return {field.name: _moment(hints[field.name]) for field in fields(kind)}


def _moment(hint: Any) -> str:
    own = [one.moment for one in getattr(hint, "__metadata__", ()) if isinstance(one, Known)]
    below = [_moment(part) for part in get_args(hint)] if not own else []
    return next(filter(None, (*own, *below)), "")

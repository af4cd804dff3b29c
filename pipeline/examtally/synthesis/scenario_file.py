"""Reading a scenario file, or the one it is based on with its own words laid over it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import fields
from pathlib import Path
from types import MappingProxyType

from examtally.contracts.catalogue.catalogue import joints
from examtally.contracts.catalogue.local import joined
from examtally.contracts.checks import Fault, check_code
from examtally.contracts.contract import DEFAULT_JOINT, Contract, named_contract
from examtally.contracts.declaration import Faults, Steps, read_section
from examtally.contracts.yamlfile import Found, Node, load_yaml
from examtally.errors import ContractError
from examtally.resources import resource
from examtally.synthesis.chance import Weight, Weights
from examtally.synthesis.clinical_sections import (
    HABITS,
    Habits,
    ManeuverEntry,
)
from examtally.synthesis.names import check_names, present_conditions
from examtally.synthesis.people_sections import (
    ExaminerEntry,
)
from examtally.synthesis.scenario import Accuracy, Examiner, ManeuverPlan, Scenario, ScenarioFile
from examtally.synthesis.vocabulary import Vocabulary

DEFAULT = "clinic"
_COMMON = (*("seed", "exams", "reference_people", "periods", "sites", "examiners", "skill", "people", "decisions"),)
_WHOLE = ("periods",)  # the keys of one kind mean nothing to the other


def load_scenario(path: Path | None = None, contract: Contract | None = None) -> Scenario:
    """Read the scenario at `path`, a file or the name of one that comes with the package; by default `clinic`.

    `contract` is that of its joint; without it, of the `catalogue` or `joint` that the scenario names.

    Raises ContractError with a line for each fault: file, line, path in the file and mend.
    """
    place = _place(path)
    found: list[Found] = []
    top = renamed(_based(load_yaml(place, ContractError, found), place))
    contract = contract or named_contract(top, place.parent)
    faults = Faults(top, found)
    file = read_section(ScenarioFile, faults, contract)
    scenario = _scenario(file, faults, contract) if file else None
    faults.stop()
    assert scenario is not None  # without faults there was something to read
    return scenario


def clinic_of(joint: str | None, scenario: Path | None) -> Path | None:
    """The scenario that a command asks for: the one it names, else the clinic of the joint it names.

    Raises ContractError where there is no clinic of that joint, or the scenario named is of another.
    """
    if joint is None:
        return scenario
    if scenario is not None:
        if load_scenario(scenario).contract.catalogue.joint != joint:
            raise ContractError(f"the scenario is not of the {joint}; name one of the two")
        return scenario
    folder = resource("synthetic") / "scenarios"
    clinics = {code: code for code in joints() if (folder / f"{code}.yaml").is_file()} | {DEFAULT_JOINT: DEFAULT}
    if joint not in clinics:
        raise ContractError(f"there is no clinic of the joint '{joint}'; use one of {', '.join(sorted(clinics))}")
    return Path(clinics[joint])


def _place(path: Path | None) -> Path:
    folder = resource("synthetic") / "scenarios"
    if path is None:
        return folder / f"{DEFAULT}.yaml"
    inside = folder / f"{path.name}.yaml"
    return inside if path.name == str(path) and not path.is_file() and inside.is_file() else path


def _based(top: Node, place: Path) -> Node:
    """`top`, laid over the scenario it names in `based_on`: one beside it, or one that comes with the package."""
    if not (isinstance(top.content, dict) and "based_on" in top.content):
        return top
    entries = dict(top.content)
    based_on = entries.pop("based_on")
    name = based_on.text("[a-z][a-z0-9_]*")
    beside, inside = place.with_name(f"{name}.yaml"), _place(Path(name))
    base = load_yaml(beside if beside.is_file() else inside)
    if isinstance(base.content, dict) and "based_on" in base.content:
        raise based_on.fail(f"'{name}' is based on another scenario itself", "name a scenario that stands alone")
    over, base = renamed(top.holding(entries)), renamed(base)
    if over.has("joint") and over.at("joint").plain() != base.at("joint").plain():
        base = _common(base)
    return joined(base, over, whole=_WHOLE)


def _common(base: Node) -> Node:
    """What a scenario of another joint takes over: people, who examines them, when and where."""
    entries = {key: node for key, node in _entries(base).items() if key in _COMMON}
    if "people" in entries:
        people = {key: node for key, node in _entries(entries["people"]).items() if key != "columns"}
        entries["people"] = entries["people"].holding(people)
    if base.has("forecasts", "numbers"):
        numbers = {"numbers": base.at("forecasts", "numbers")}
        entries["forecasts"] = base.at("forecasts").holding(numbers)
    return base.holding(entries)


def _entries(node: Node) -> dict[str, Node]:
    return dict(node.content) if isinstance(node.content, dict) else {}


def _scenario(file: ScenarioFile, faults: Faults, contract: Contract) -> Scenario:
    """What the file says, habits filled in; contradictions are noted in `faults`."""
    periods = file.periods.periods()
    check_names(file, Vocabulary(contract, faults.top.keys("families"), faults.top.keys("sites")), faults)
    _check_examiners(file, len(periods.labels), faults)
    _check_references(file, faults)
    return Scenario(
        title=file.title,
        joint=contract.catalogue.joint,
        contract=contract,
        seed=file.seed,
        exams=file.exams,
        reference_people=file.reference_people,
        periods=periods,
        sites=file.sites,
        examiners=tuple(_examiner(code, entry) for code, entry in file.examiners.items()),
        skill=file.skill,
        interventions=file.interventions,
        people=file.people,
        complaints=file.complaints,
        visits=file.visits,
        sheet=file.sheet,
        conditions=file.conditions,
        families=file.families,
        maneuvers=_maneuvers(file, faults, contract),
        writing=file.writing,
        history=file.history,
        forecasts=file.forecasts,
        decided_by_last_hands=file.decisions == "last_hands",
        references=file.references,
        blanks=file.blanks,
    )


def _check_examiners(file: ScenarioFile, count: int, faults: Faults) -> None:
    """Examiners belong to sites, scales and periods of the scenario; no site is ever without one."""
    for code, one in file.examiners.items():
        place = ("examiners", code)
        _check_code(one.site, (*place, "site"), "a site of this scenario", faults.top.keys("sites"), faults)
        _check_code(
            one.numbers,
            (*place, "numbers"),
            "a scale of this scenario",
            faults.top.keys("forecasts", "numbers"),
            faults,
        )
        starts = {("start",): one.start, ("promoted", "period"): one.promoted.period if one.promoted else None}
        for at, period in starts.items():
            if period is not None and period > count:
                faults.add((*place, *at), f"{period} is out of range", f"write a number from 1 to {count}")
    for site in file.sites.codes if not faults.about(("examiners",)) else ():
        if not any(one.site == site and one.start is None and not one.settings for one in file.examiners.values()):
            problem = f"site {site} has nobody who works there in every setting from the beginning"
            faults.add(("examiners",), problem, "give it an examiner without 'start' and 'settings'")


def _check_references(file: ScenarioFile, faults: Faults) -> None:
    """A test follows one above it."""
    given = faults.top.keys("references")
    for code, plan in file.references.items():
        if plan.after is not None:
            earlier = given[: given.index(code)]
            _check_code(plan.after, ("references", code, "after"), "a reference test above this one", earlier, faults)


def _check_code(code: str, place: Steps, what: str, legal: Collection[str], faults: Faults) -> None:
    try:
        check_code(code, what, legal)
    except Fault as fault:
        faults.add(place, fault.problem, fault.mend)


def _examiner(code: str, entry: ExaminerEntry) -> Examiner:
    promoted = (entry.promoted.period, entry.promoted.role) if entry.promoted else None
    given = {field.name: getattr(entry, field.name) for field in fields(entry)}
    return Examiner(**{**given, "code": code, "promoted": promoted})


def _maneuvers(file: ScenarioFile, faults: Faults, contract: Contract) -> Mapping[str, ManeuverPlan]:
    """The maneuvers in the order of the catalogue, with the usual habits where they say nothing."""
    plans: dict[str, ManeuverPlan] = {}
    for code, declared in contract.catalogue.maneuvers.items():
        entry = file.maneuvers.get(code)
        if entry is None:
            continue
        place = ("maneuvers", code)
        _check_code(entry.family, (*place, "family"), "a family of this scenario", faults.top.keys("families"), faults)
        if entry.driver is not None:
            present = present_conditions(faults.top.keys("conditions"), contract)
            _check_code(entry.driver, (*place, "driver"), "a condition of this scenario", present, faults)
        plans[code] = _plan(entry, file.habits, declared.signs)
    return MappingProxyType(plans)


def _plan(entry: ManeuverEntry, usual: Habits, signs: Collection[str]) -> ManeuverPlan:
    own = {name: getattr(entry, name) for name in HABITS}
    even = Weights(MappingProxyType({sign: Weight(1.0) for sign in signs})) if signs else None
    accuracy = None
    if entry.driver and entry.sensitivity is not None and entry.specificity is not None:
        accuracy = Accuracy(entry.sensitivity, entry.specificity)
    return ManeuverPlan(
        driver=entry.driver,
        accuracy=accuracy,
        rate=None if entry.driver else entry.rate,
        family=entry.family,
        shift=entry.shift,
        habits=Habits(**{name: getattr(usual, name) if value is None else value for name, value in own.items()}),
        signs=entry.signs or even,
        grades=entry.grades,
        measure=entry.measure,
        end_point=entry.end_point,
        columns=entry.columns,
    )


_MOVED = (  # keys under the names they had when all scenarios were of one joint: they go on being read
    (("people", "thigh_cm"), ("people", "columns", "thigh_cm")),
    (("sheet", "effusion"), ("sheet", "columns", "effusion")),
    (("sheet", "other_knee"), ("sheet", "other_side")),
    (("visits", "both_knees"), ("visits", "both_sides")),
    (("writing", "flexion_recorded"), ("writing", "columns", "flexion_deg")),
    (("families", "*", "knee"), ("families", "*", "joint")),
    (("maneuvers", "*", "flexion_deg"), ("maneuvers", "*", "columns", "flexion_deg")),
)


def renamed(top: Node) -> Node:
    """The scenario with every key under its present name."""
    for old, new in _MOVED:
        top = _moved(top, old, new)
    return top


def _moved(node: Node, old: tuple[str, ...], new: tuple[str, ...]) -> Node:
    if not isinstance(node.content, dict):
        return node
    entries = dict(node.content)
    if old[0] == "*":
        return node.holding({key: _moved(one, old[1:], new[1:]) for key, one in entries.items()})
    if len(old) > 1:
        if old[0] in entries:
            entries[old[0]] = _moved(entries[old[0]], old[1:], new[1:])
        return node.holding(entries)
    if old[0] in entries:
        return _put(node.holding(entries), new, entries.pop(old[0]))
    return node


def _put(node: Node, path: tuple[str, ...], value: Node) -> Node:
    entries = dict(node.content) if isinstance(node.content, dict) else {}
    if len(path) == 1:
        entries.setdefault(path[0], value)
    else:
        entries[path[0]] = _put(entries.get(path[0], node.child(path[0], value.line)), path[1:], value)
    return node.holding(entries)

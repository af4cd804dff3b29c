"""A study protocol: one question with everything that is decided before its results are seen, as one frozen object."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from examtally.contracts.checks import nearest
from examtally.contracts.contract import Contract, load_contract, named_contract
from examtally.contracts.declaration import Faults, Steps, read_section
from examtally.contracts.protocol.analysis_set import FOLLOW_UP
from examtally.contracts.protocol.estimates import SEVERITY
from examtally.contracts.protocol.protocol import Protocol, canonical_hash, settled
from examtally.contracts.schema import DeclaredKey, declared_keys, json_schema
from examtally.contracts.study.file import (
    MEASURES,
    STATISTICS,
    AnalysisEntry,
    Governance,
    MissingEntry,
    StudyFile,
)
from examtally.contracts.study.parts import Change, PlannedSize, Selection, StudyAnalysis
from examtally.contracts.study.planned import NUMBERS, PlannedSizeEntry
from examtally.contracts.study.rules import as_maneuver, resolved_tests
from examtally.contracts.study.selection import BlindingEntry, ReferenceEntry
from examtally.contracts.yamlfile import Found, Node, from_data, load_yaml
from examtally.errors import ProtocolError

TITLE = "Study protocol"
_DECIDED = {
    ("analysis_status",): "a lock decides it: `examtally study lock`",
    ("equivocal",): "write `equivocal` of the study",
    ("eligibility", "exclude_reference_known"): "write `blinding.examiner`",
    ("reference", "blinded_readers_only"): "write `blinding.reader`",
    ("intervals", "level"): "write `alpha`",
}


@dataclass(frozen=True)
class Study:
    """A resolved study protocol. Texts that are not given are empty, codes that are not given None.

    `protocol` is the analysis protocol that follows from it; `source` is the file's own content as plain data, which
    `load_study` reads to an equal study: a group's own catalogue stands in it whole. `base` is the joint's contract.
    """

    code: str
    title: str
    question: str
    background: str
    intended_use: str
    hypotheses: tuple[str, ...]
    selection: Selection
    between_tests: str
    blinding_stated: bool
    primary: tuple[StudyAnalysis, ...]
    secondary: tuple[StudyAnalysis, ...]
    subgroups: tuple[str, ...]
    adjustments: tuple[str, ...]
    main: str
    alpha: float
    family: str
    missing_findings: str
    missing_references: str
    planned_size: PlannedSize
    with_examiners: bool
    harms: str
    governance: Governance
    protocol: Protocol
    source: Mapping[str, Any]
    base: Contract = field(compare=False, repr=False)

    @property
    def hash(self) -> str:
        """sha256 of the resolved study as canonical JSON: equal studies have equal hashes, however written."""
        return canonical_hash(self.to_dict())

    def to_dict(self) -> dict[str, Any]:
        """Every decision as plain dicts, lists and scalars, defaults filled in."""
        names = [one.name for one in fields(self) if one.name not in ("source", "base")]
        decided = {name: _plain(getattr(self, name)) for name in names}
        return decided | {"protocol": self.protocol.to_dict()}

    @property
    def analyses(self) -> tuple[StudyAnalysis, ...]:
        """Every declared analysis, primary first, then secondary, then the primary ones again in each subgroup."""
        within = (
            replace(one, name=f"{one.name}_by_{group}", group_by=group)
            for group in self.subgroups
            for one in self.primary
            if one.group_by is None and one.kind not in ("agreement", "change")
        )
        return (*self.primary, *self.secondary, *within)

    @property
    def contract(self) -> Contract:
        """The contract with the study's index tests as maneuvers; those of the catalogue then speak of no condition."""
        recorded = {
            code: replace(one, conditions=(), purpose="safety" if one.purpose == "safety" else "contributor")
            for code, one in self.base.catalogue.maneuvers.items()
        }
        tests = {test.code: as_maneuver(test, self.selection.target, self.base) for test in self.selection.tests}
        catalogue = replace(self.base.catalogue, maneuvers=MappingProxyType(recorded | tests))
        return replace(self.base, catalogue=catalogue)


def load_study(source: Path | str | Mapping[str, Any], contract: Contract | None = None) -> Study:
    """Read a study protocol from a file or from plain data.

    Raises ProtocolError for what is not legal: a line for each fault, with file, line, path inside it, legal set, mend.

        et.load_study("study.yaml").title
    """
    found: list[Found] = []
    if isinstance(source, Mapping):
        top, folder = from_data(source, "study", ProtocolError), Path()
    else:
        top, folder = load_yaml(Path(source), ProtocolError, found), Path(source).parent
    contract = contract or _asked(top, folder)
    faults = Faults(top, found)
    file = read_section(StudyFile, faults, contract)
    study = _study(file, faults, contract) if file else None
    faults.stop()
    assert study is not None  # without faults there was something to read
    return study


def _asked(top: Node, folder: Path) -> Contract:
    """The contract of the joint or catalogue that the study's protocol names."""
    settings = top.nearest(("analysis",))
    return named_contract(settings, folder) if top.has("analysis") else load_contract()


def study_keys() -> tuple[DeclaredKey, ...]:
    """Every key of a study protocol, section by section."""
    return declared_keys(json_schema(StudyFile, TITLE), "study", apart="protocol")


def _study(file: StudyFile, faults: Faults, contract: Contract) -> Study:
    """What the file says, defaults filled in and references resolved; contradictions are noted in `faults`."""
    blinding = file.blinding or BlindingEntry()
    missing = file.missing or MissingEntry()
    reference = file.reference or ReferenceEntry()
    _check_analyses(file, faults)
    _check_severity(file, faults, contract)
    _check_reached(file, faults)
    study = Study(
        code=file.study,
        title=file.title,
        question=file.question or "",
        background=file.background or "",
        intended_use=file.intended_use or "",
        hypotheses=file.hypotheses,
        selection=Selection(
            population=tuple(one.resolved(contract) for one in file.population),
            tests=resolved_tests(file.tests, faults),
            target=file.target,
            indeterminate=reference.indeterminate,
        ),
        between_tests=blinding.between_tests or "",
        blinding_stated=faults.top.has("blinding", "examiner") and faults.top.has("blinding", "reader"),
        primary=tuple(_analysis(one) for one in file.primary),
        secondary=tuple(_analysis(one) for one in file.secondary),
        subgroups=file.subgroups,
        adjustments=file.adjustments,
        main=_main(file, faults),
        alpha=file.alpha,
        family=file.family,
        missing_findings=missing.findings,
        missing_references=missing.references,
        planned_size=_planned(file.planned_size or PlannedSizeEntry(), faults),
        with_examiners=file.persons,
        harms=file.harms or "",
        governance=file.governance or Governance(),
        protocol=_protocol(file, blinding, reference, faults, contract),
        source=_whole(_mapping(faults.top.plain()), contract),
        base=contract,
    )
    _check_names(study, faults)
    return study


def _main(file: StudyFile, faults: Faults) -> str:
    """The correction that leads; a fault where it is none of the study's own."""
    if file.main is not None and file.main not in file.adjustments:
        faults.add(("main",), f"'{file.main}' is not one of the adjustments", nearest(file.main, file.adjustments))
    leading = "bias_adjusted" if "bias_adjusted" in file.adjustments else (*file.adjustments, "none")[0]
    return file.main or leading


def _whole(source: dict[str, Any], contract: Contract) -> Mapping[str, Any]:
    """What the file says, with the content of the group's own catalogue in the place of its name."""
    if contract.catalogue.local:
        source = {**source, "analysis": {**_mapping(source.get("analysis")), "catalogue": contract.catalogue.local}}
    return MappingProxyType(source)


def _analysis(entry: AnalysisEntry) -> StudyAnalysis:
    is_agreement = entry.kind == "agreement"
    return StudyAnalysis(
        name=entry.name,
        kind=entry.kind,
        tests=entry.tests,
        measures=() if is_agreement else MEASURES if entry.measures is None else entry.measures,
        statistics=() if not is_agreement else STATISTICS if entry.statistics is None else entry.statistics,
        group_by=entry.group_by,
        pairs_of=entry.pairs_of or "overall",
        change=None if entry.since is None else Change(entry.since, entry.reached_roles, entry.reached_sites),
    )


def _check_analyses(file: StudyFile, faults: Faults) -> None:
    """Analyses have names of their own, tests of this protocol and, but for agreement, a target condition."""
    seen: set[str] = set()
    for part, analyses in (("primary", file.primary), ("secondary", file.secondary)):
        for index, one in enumerate(analyses):
            if one.name in seen:
                problem = f"'{one.name}' stands twice"
                faults.add((part, index, "name"), problem, "give each analysis a name of its own")
            seen.add(one.name)
            for place, test in enumerate(one.tests):
                _check_test(test, (part, index, "tests", place), faults)
            if one.kind != "agreement" and file.target is None and not faults.about(("target",)):
                problem = f"{one.kind} needs a target condition"
                faults.add((part, index, "kind"), problem, "add `target` with its condition")


def _check_severity(file: StudyFile, faults: Faults, contract: Contract) -> None:
    """Analyses by severity need a condition with two degrees or more of its own, all of which count as present."""
    if SEVERITY in file.subgroups:
        mend = "declare an analysis with `group_by: severity` and `measures: [sensitivity]`"
        faults.add(("subgroups",), "severity is not a subgroup, since it has no specificity", mend)
    for part, analyses in (("primary", file.primary), ("secondary", file.secondary)):
        for index, one in enumerate(analyses):
            if one.group_by != SEVERITY or file.target is None:
                continue
            condition = contract.catalogue.conditions[file.target.condition]
            at = (part, index, "group_by")
            if condition.derived_from or len(condition.severity) < 2:
                faults.add(at, f"{condition.code} has no severities of its own", "name another condition or group")
            elif file.target.severity:
                faults.add(at, "the target counts some severities alone", "remove `target.severity`")


def _check_reached(file: StudyFile, faults: Faults) -> None:
    """An intervention reaches all of the roles that are one group, or none of them."""
    for part, analyses in (("primary", file.primary), ("secondary", file.secondary)):
        for index, one in enumerate(analyses):
            torn = file.analysis.comparisons.torn("role", one.reached_roles) if file.analysis else ""
            if torn:
                mend = "name all roles of the group, or compare them apart"
                faults.add((part, index, "reached_roles"), f"names a part of '{torn}' alone", mend)


def _check_test(code: str, path: Steps, faults: Faults) -> None:
    """A code must be that of an index test of the file, be the test itself legal or not."""
    tests = faults.top.keys("tests")
    if tests and code not in tests:
        faults.add(path, f"'{code}' is not an index test of this protocol", nearest(code, tests))


def _check_names(study: Study, faults: Faults) -> None:
    """No analysis has the name of a primary one in a subgroup."""
    names = [one.name for one in study.analyses]
    twice = [name for name in names if names.count(name) > 1]
    if twice and not faults.about(("primary",), ("secondary",)):
        faults.add(("subgroups",), f"'{twice[0]}' is an analysis already", "rename that analysis")


def _planned(entry: PlannedSizeEntry, faults: Faults) -> PlannedSize:
    if entry.test is not None:
        _check_test(entry.test, ("planned_size", "test"), faults)
    numbers = {name: getattr(entry, name) for name in NUMBERS if getattr(entry, name) is not None}
    return PlannedSize(entry.knees, entry.aim, entry.test, entry.measure, entry.power, MappingProxyType(numbers))


def _protocol(
    file: StudyFile, blinding: BlindingEntry, reference: ReferenceEntry, faults: Faults, contract: Contract
) -> Protocol:
    """The analysis protocol that follows; a choice that stands in both places is noted in `faults`."""
    for path, mend in _DECIDED.items():
        if faults.top.has("analysis", *path):
            faults.add(("analysis", *path), "is decided by the study", mend)
    given = file.analysis or Protocol()
    accepted, windows = dict(given.reference.accepted), dict(given.windows)
    if file.target is not None:
        condition = file.target.condition
        if reference.standard is not None:
            _check_standard(reference.standard, condition, faults, contract)
            accepted[condition] = reference.standard
        if reference.window_days is not None:
            windows[condition] = reference.window_days
        for name, elsewhere in (("standard", ("reference", "accepted")), ("window_days", ("windows",))):
            if getattr(reference, name) is not None and faults.top.has("analysis", *elsewhere, condition):
                faults.add(("reference", name), "stands under `analysis` too", "keep it in one place")
    decided = replace(
        given,
        equivocal=file.equivocal,
        eligibility=replace(given.eligibility, exclude_reference_known=blinding.examiner == "known_excluded"),
        intervals=replace(given.intervals, level=round(1 - file.alpha, 12)),
        reference=replace(given.reference, accepted=accepted, blinded_readers_only=blinding.reader == "blinded_only"),
        windows=windows,
    )
    return settled(decided, faults, contract, within=("analysis",))


def _check_standard(standard: tuple[str, ...], condition: str, faults: Faults, contract: Contract) -> None:
    legal = tuple(dict.fromkeys((*contract.catalogue.conditions[condition].modalities, FOLLOW_UP)))
    if not standard:
        faults.add(("reference", "standard"), "is empty", f"name one or more of {', '.join(legal)}")
    for index, modality in enumerate(standard):
        if modality not in legal:
            problem = f"'{modality}' is not a modality that can settle {condition}"
            faults.add(("reference", "standard", index), problem, nearest(modality, legal))


def _mapping(data: object) -> dict[str, Any]:
    return dict(data) if isinstance(data, dict) else {}


def _plain(value: Any) -> Any:
    """Plain data; `change`, which studies locked before it have not, stands only where there is one."""
    if is_dataclass(value) and not isinstance(value, type):
        held = {field.name: getattr(value, field.name) for field in fields(value)}
        told = {name: _plain(one) for name, one in held.items() if not (name == "change" and one is None)}
        return {"is": type(value).__name__} | told
    if isinstance(value, Mapping):
        return {key: _plain(inner) for key, inner in value.items()}
    return [_plain(inner) for inner in value] if isinstance(value, tuple) else value

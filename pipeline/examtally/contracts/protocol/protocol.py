"""The protocol: every choice between the records and a figure, as one frozen object."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any

from examtally.contracts.catalogue.clinical import Catalogue
from examtally.contracts.contract import Contract, named_contract
from examtally.contracts.declaration import Faults, Section, Steps, plain, read_section
from examtally.contracts.kinds import Code, Condition, Distinct, Legal, Text, nothing, one_of
from examtally.contracts.protocol.analysis_set import (
    FOLLOW_UP,
    Bands,
    Eligibility,
    Groups,
    Maturity,
    Reference,
    Scenarios,
    Window,
)
from examtally.contracts.protocol.estimates import (
    RECORDED,
    SEVERITY,
    Agreement,
    Comparisons,
    Display,
    Examiners,
    Intervals,
    Pairs,
    PostTest,
    PredictiveValues,
    Verification,
    maneuvers_for,
    odd_groups,
)
from examtally.contracts.protocol.interventions import Interventions
from examtally.contracts.protocol.models import BiasAdjusted, Calibration, LatentClass, Learning, Modelling, Monitoring
from examtally.contracts.schema import DeclaredKey, declared_paths, json_schema
from examtally.contracts.yamlfile import Found, Node, from_data, load_yaml
from examtally.errors import ProtocolError

_SETTLED, _DEFINED = ("reference", "accepted"), ("reference", "clinical_case_definition")


@dataclass(frozen=True)
class Protocol(Section):
    """How records become an analysis set and figures. A protocol file names only the keys it changes."""

    joint: Annotated[str, Code("a legal value", "joints")] = ""
    """The joint that is spoken of: its catalogue of conditions and maneuvers applies. Without it, the only one of the
    registry.
    """
    catalogue: Annotated[str, Text(), Legal("a file, from where the protocol lies")] = ""
    """The group's own catalogue, where it has one. Stands as its fingerprint once it has been read."""
    analysis_status: Annotated[
        str,
        one_of(
            prespecified="written down before the results were seen",
            exploratory="not written down beforehand",
        ),
    ] = "exploratory"
    """Whether the analysis was written down before its results were seen. Stands in the status column of every
    table.
    """
    eligibility: Eligibility = field(default_factory=Eligibility)
    """Which exams are left out."""
    windows: Annotated[
        Mapping[Condition, Window],
        Legal("for each condition by name, [first, last] in whole days; as in the catalogue"),
    ] = field(default_factory=nothing)
    """First and last day, counted from the exam, on which a reference counts."""
    maturity: Maturity = field(default_factory=Maturity)
    """How long an exam stays open for its reference."""
    reference: Reference = field(default_factory=Reference)
    """What settles each condition."""
    equivocal: Annotated[
        str,
        one_of(
            excluded="left out and counted",
            positive="counted as a positive finding",
            negative="counted as a negative finding",
        ),
    ] = "excluded"
    """What an equivocal finding counts as in the 2x2 table. Excluded findings are counted beside it."""
    core: Annotated[
        Distinct[Annotated[str, Code("a legal value", "maneuvers")]],
        Legal("a list of the codes, none twice; as in the catalogue"),
    ] = ()
    """Maneuvers every exam should record. An exam is complete when each of them has a result; not_done is one."""
    groups: Groups = field(default_factory=Groups)
    """Where bands of onset, age, body mass index and those of the joint begin."""
    intervals: Intervals = field(default_factory=Intervals)
    """Confidence level and methods of intervals."""
    predictive_values: PredictiveValues = field(default_factory=PredictiveValues)
    """At which prevalence predictive values are given."""
    post_test: PostTest = field(default_factory=PostTest)
    """From which probabilities a finding is followed on."""
    display: Display = field(default_factory=Display)
    """When a report shows an estimate."""
    calibration: Calibration = field(default_factory=Calibration)
    """How stated probabilities are held against what was found."""
    verification: Verification = field(default_factory=Verification)
    """How figures are corrected for who was verified."""
    examiners: Examiners = field(default_factory=Examiners)
    """How examiners are pooled."""
    agreement: Agreement = field(default_factory=Agreement)
    """Which exams make a pair of examiners."""
    learning: Learning = field(default_factory=Learning)
    """How learning is charted."""
    modelling: Modelling = field(default_factory=Modelling)
    """Combinations of maneuvers, diagnostic models and the short exam."""
    monitoring: Monitoring = field(default_factory=Monitoring)
    """What the monthly figures count."""
    latent_class: LatentClass = field(default_factory=LatentClass)
    """Models without a perfect reference."""
    bias_adjusted: BiasAdjusted = field(default_factory=BiasAdjusted)
    """The leading estimate."""
    scenarios: Scenarios = field(default_factory=Scenarios)
    """The analyses beside the main one."""
    comparisons: Comparisons = field(default_factory=Comparisons)
    """Which maneuvers and groups are compared."""
    interventions: Interventions = ()
    """What was done to change the exam, and what it should change; usually from an interventions file."""

    @classmethod
    def defaults(cls, contract: Contract) -> Protocol:
        """Return the protocol that changes nothing."""
        return load_protocol(None, contract)

    @property
    def hash(self) -> str:
        """sha256 of the resolved protocol as canonical JSON: equal analyses have equal hashes, however written."""
        return canonical_hash(self.to_dict())

    def to_dict(self) -> dict[str, Any]:
        """Return plain dicts, lists and scalars; `load_protocol` of it gives an equal protocol.

        Interventions stand in it only where there are any, so that the hash of a protocol without them stays what it
        was when a study was locked by it.
        """
        made: dict[str, Any] = plain(self)
        groups = made["groups"]
        made["groups"] = {**{key: groups[key] for key in groups if key != "own"}, **groups["own"]}
        return {key: value for key, value in made.items() if value or key not in ("catalogue", "interventions")}

    def is_clinical(self, condition: str) -> bool:
        """Tell whether figures of `condition` rest on a clinical diagnosis and must be labelled so."""
        return FOLLOW_UP in self.reference.accepted.get(condition, ())


def load_protocol(source: Path | str | Mapping[str, Any] | None = None, contract: Contract | None = None) -> Protocol:
    """Read a protocol (a file, or plain data) over the defaults of `contract`.

    Without it the contract is that of the `catalogue` or `joint` that the protocol names, else of the default joint.

    Raises ProtocolError for what is not legal: a line for each fault, with file, line, path inside it, legal set, mend.

        et.load_protocol("protocol.yaml").display.min_participants
    """
    found: list[Found] = []
    top = protocol_node(source, found)
    contract = contract or named_contract(top, protocol_folder(source))
    faults = Faults(top, found)
    given = read_section(Protocol, faults, contract)
    protocol = settled(given, faults, contract) if given else None
    faults.stop()
    assert protocol is not None  # without faults there was something to read
    return protocol


def protocol_node(source: Path | str | Mapping[str, Any] | None, found: list[Found] | None = None) -> Node:
    """The protocol as it is written; see `load_yaml` for `found`."""
    if isinstance(source, Path | str):
        return load_yaml(Path(source), ProtocolError, found)
    return from_data(source or {}, "protocol", ProtocolError)


def protocol_folder(source: Path | str | Mapping[str, Any] | None) -> Path:
    """Where the files lie that a protocol names."""
    return Path(source).parent if isinstance(source, Path | str) else Path()


def protocol_keys() -> tuple[DeclaredKey, ...]:
    """Every key a protocol may set, by its path, in the order of the declaration."""
    return declared_paths(json_schema(Protocol, "Protocol"))


def canonical_hash(content: Mapping[str, Any]) -> str:
    """Return the sha256 of plain data as canonical JSON."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def settled(given: Protocol, faults: Faults, contract: Contract, within: Steps = ()) -> Protocol:
    """The protocol with what the catalogue of the joint says where the file is silent.

    Contradictions are noted in `faults`; the protocol stands `within` this part of the file.
    """
    catalogue, top = contract.catalogue, faults.top.nearest(within)
    own = {code: one.window_days for code, one in catalogue.conditions.items() if one.window_days is not None}
    windows = {**own, **given.windows}
    accepted = {code: one.modalities for code, one in catalogue.conditions.items() if one.modalities}
    accepted = {**accepted, **given.reference.accepted}
    for condition in given.reference.clinical_case_definition:
        accepted.setdefault(condition, (FOLLOW_UP,))
    _check_reference(windows, accepted, given.reference.clinical_case_definition, faults, within)
    _check_bands(given, catalogue, faults, within)
    for code, one in catalogue.conditions.items():
        if one.derived_from and code not in given.windows:
            spans = [windows[part] for part in one.derived_from]
            windows[code] = (min(low for low, _ in spans), max(high for _, high in spans))
        if one.derived_from and code not in given.reference.accepted:
            accepted[code] = tuple(dict.fromkeys(each for part in one.derived_from for each in accepted[part]))
    core = given.core if top.has("core") else tuple(code for code, one in catalogue.maneuvers.items() if one.core)
    family = given.comparisons.family if top.has("comparisons", "family") else _family(contract, core)
    first = {name: catalogue.groupings[name].first for name in catalogue.banded}
    return replace(
        given,
        groups=replace(given.groups, own=MappingProxyType({**first, **given.groups.own})),
        joint=catalogue.joint,
        catalogue=catalogue.hash if catalogue.local else "",
        windows=_in_order(windows, contract),
        reference=replace(
            given.reference,
            accepted=_in_order(accepted, contract),
            clinical_case_definition=_in_order(given.reference.clinical_case_definition, contract),
        ),
        core=core,
        comparisons=replace(given.comparisons, family=_in_order(_by_catalogue(family, contract), contract)),
    )


def _check_reference(
    windows: Mapping[str, Any],
    accepted: Mapping[str, Collection[str]],
    definitions: Mapping[str, str],
    faults: Faults,
    within: Steps,
) -> None:
    """Windows, accepted modalities and case definitions must agree with each other."""
    if faults.about((*within, "windows"), (*within, "reference")):
        return
    for condition in definitions:
        path = (*within, *_DEFINED, condition)
        if FOLLOW_UP not in accepted[condition]:
            mend = f"add {FOLLOW_UP} to reference.accepted.{condition}, or drop the definition"
            faults.add(path, f"is not used, since {FOLLOW_UP} is not accepted", mend)
        elif condition not in windows:
            faults.add(path, "has no window", f"add windows.{condition}, as [first, last] in days after the exam")
    for condition, modalities in accepted.items():
        if FOLLOW_UP in modalities and condition not in definitions:
            mend = f"write {'.'.join(_DEFINED)}.{condition}, or drop {FOLLOW_UP}"
            faults.add((*within, *_SETTLED, condition), f"{FOLLOW_UP} needs a written case definition", mend)
    for condition in windows:
        if condition not in accepted:
            mend = f"drop it, or write {'.'.join(_DEFINED)}.{condition}"
            faults.add((*within, "windows", condition), "is a window for a condition that nothing settles", mend)


def _check_bands(given: Protocol, catalogue: Catalogue, faults: Faults, within: Steps) -> None:
    """A pair of bands must be of bands that the protocol's own limits make, and roles that act as one are not torn."""
    for name, pairs in given.comparisons.groups.items():
        if name in (*RECORDED, *catalogue.coded, SEVERITY) or faults.about((*within, "groups", name)):
            continue
        own = catalogue.groupings.get(name)
        bands = Bands.between(own.first) if own and name not in given.groups.own else given.groups.bands(name)
        for fault in odd_groups(pairs, name, bands.codes, are_ordered=True):
            faults.add((*within, "comparisons", "groups", *fault.at), fault.problem, fault.mend)
    named = {f"agreement.{name}": getattr(given.agreement, name) for name in ("learners", "supervisors")}
    named |= {f"interventions.{one.code}": one.reached.roles for one in given.interventions}
    for place, roles in named.items():
        if torn := given.comparisons.torn("role", roles):
            problem = f"'{torn}' merges roles that {place} parts"
            faults.add((*within, "comparisons", "groups", "role"), problem, "merge roles that are all in it or all not")


def _family(contract: Contract, core: Collection[str]) -> dict[str, Pairs]:
    """Every core maneuver with every other of its condition, and every variant with what it varies."""
    maneuvers = contract.catalogue.maneuvers
    family: dict[str, list[tuple[str, str]]] = {}
    for code in contract.catalogue.conditions:
        own = maneuvers_for(code, contract)
        for place, one in enumerate(own):
            for other in own[place + 1 :]:
                varies = maneuvers[other].variant_of == one or maneuvers[one].variant_of == other
                if one in core or other in core or varies:
                    family.setdefault(code, []).append((one, other))
    return {code: tuple(pairs) for code, pairs in family.items()}


def _by_catalogue(family: Mapping[str, Pairs], contract: Contract) -> dict[str, Pairs]:
    """Each pair of maneuvers in the order of the catalogue."""
    place = {code: index for index, code in enumerate(contract.catalogue.maneuvers)}
    return {code: tuple((a, b) if place[a] < place[b] else (b, a) for a, b in pairs) for code, pairs in family.items()}


def _in_order(values: Mapping[str, Any], contract: Contract) -> Mapping[str, Any]:
    return MappingProxyType({code: values[code] for code in contract.catalogue.conditions if code in values})

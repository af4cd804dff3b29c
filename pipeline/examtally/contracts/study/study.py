"""A study protocol: one question with everything that is decided before its results are seen, as one frozen object."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.protocol.protocol import Protocol, canonical_hash, load_protocol
from examtally.contracts.study.filters import read_filters
from examtally.contracts.study.form import Entry, study_form
from examtally.contracts.study.parts import Governance, PlannedSize, Selection, StudyAnalysis, Target
from examtally.contracts.study.rules import as_maneuver, read_tests
from examtally.contracts.yamlfile import CODE, Node, from_data, load_yaml
from examtally.errors import ProtocolError

_LONGEST_DAY = 36500
_DECIDED = {
    ("analysis_status",): "a lock decides it: `examtally study lock`",
    ("equivocal",): "write `equivocal` of the study",
    ("eligibility", "exclude_reference_known"): "write `blinding.examiner`",
    ("reference", "blinded_readers_only"): "write `blinding.reader`",
    ("intervals", "level"): "write `alpha`",
}


def analysis_protocol(
    entry: Entry, blinding: Entry, target: Target | None, alpha: float, contract: Contract
) -> Protocol:
    """Resolve the protocol; raises ProtocolError where a choice stands in both places or is not legal."""
    node = entry.at("analysis") if entry.has("analysis") else entry.node.holding({})
    for path, mend in _DECIDED.items():
        found = _at(node, path)
        if found is not None:
            raise found.fail("is decided by the study", mend)
    given = node.plain()
    decided: dict[str, Any] = {
        "equivocal": entry.code("equivocal", "an answer"),
        "eligibility": {"exclude_reference_known": blinding.code("examiner", "an answer") == "known_excluded"},
        "intervals": {"level": round(1 - alpha, 12)},
        "reference": {"blinded_readers_only": blinding.code("reader", "an answer") == "blinded_only"},
    }
    if target is not None and entry.has("reference"):
        _reference(study_form().entry("reference", entry.at("reference")), node, target.condition, decided, contract)
    return load_protocol(_merged(given if isinstance(given, dict) else {}, decided), contract)


def _reference(entry: Entry, analysis: Node, condition: str, decided: dict[str, Any], contract: Contract) -> None:
    """Standard and window of the target condition."""
    for name, path in (("standard", ("reference", "accepted", condition)), ("window_days", ("windows", condition))):
        if entry.has(name) and _at(analysis, path) is not None:
            raise entry.at(name).fail("stands under `analysis` too", "keep it in one place")
    if entry.has("standard"):
        legal = (*contract.catalogue.conditions[condition].modalities, "follow_up")
        accepted = entry.at("standard").codes(f"a modality that can settle {condition}", legal)
        if not accepted:
            raise entry.at("standard").fail("is empty", f"name one or more of {', '.join(legal)}")
        decided["reference"]["accepted"] = {condition: list(accepted)}
    if entry.has("window_days"):
        node = entry.at("window_days")
        days = [item.integer(-_LONGEST_DAY, _LONGEST_DAY) for item in node.items()]
        if len(days) != 2 or days[0] > days[1]:
            raise node.fail("is not a window", "write first and last day, as [0, 90]")
        decided["windows"] = {condition: days}


def _at(node: Node, path: tuple[str, ...]) -> Node | None:
    for key in path:
        if not isinstance(node.content, dict) or key not in node.content:
            return None
        node = node.content[key]
    return node


def _merged(given: dict[str, Any], decided: dict[str, Any]) -> dict[str, Any]:
    """The decided values over the given ones, mappings merged."""
    merged = dict(given)
    for key, value in decided.items():
        below = merged.get(key)
        merged[key] = _merged(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return merged


_MOST = 20
_OF_AGREEMENT = ("statistics", "pairs_of")


def read_analyses(entry: Entry, selection: Selection) -> tuple[tuple[StudyAnalysis, ...], tuple[StudyAnalysis, ...]]:
    """Return the primary and the secondary analyses of a study."""
    seen: set[str] = set()
    primary = _list(entry.at("primary"), selection, seen)
    secondary = _list(entry.at("secondary"), selection, seen) if entry.has("secondary") else ()
    if not primary:
        raise entry.at("primary").fail("is empty", "declare one primary analysis")
    return primary, secondary


def _list(node: Node, selection: Selection, seen: set[str]) -> tuple[StudyAnalysis, ...]:
    items = node.items()
    if len(items) > _MOST:
        raise node.fail(f"holds {len(items)} analyses", f"declare at most {_MOST}")
    return tuple(_analysis(item, selection, seen) for item in items)


def _analysis(node: Node, selection: Selection, seen: set[str]) -> StudyAnalysis:
    entry = study_form().entry("analysis", node)
    name = entry.at("name").text(CODE)
    if name in seen:
        raise entry.at("name").fail(f"'{name}' stands twice", "give each analysis a name of its own")
    seen.add(name)
    kind = entry.code("kind", "a kind of analysis") or ""
    is_agreement = kind == "agreement"
    _check(entry, kind, selection)
    return StudyAnalysis(
        name=name,
        kind=kind,
        tests=_tests(entry.at("tests"), kind, [test.code for test in selection.tests]),
        measures=() if is_agreement else entry.codes("measures", "a measure"),
        statistics=entry.codes("statistics", "a statistic of agreement") if is_agreement else (),
        group_by=entry.code("group_by", "a group"),
        pairs_of=entry.code("pairs_of", "a kind of pair") or "overall",
    )


def _tests(node: Node, kind: str, legal: Sequence[str]) -> tuple[str, ...]:
    tests = node.codes("an index test of this protocol", legal)
    if not tests or (kind == "paired" and len(tests) != 2):
        raise node.fail(f"names {len(tests)} tests", "name exactly two" if kind == "paired" else "name at least one")
    return tests


def _check(entry: Entry, kind: str, selection: Selection) -> None:
    if kind != "agreement" and selection.target is None:
        raise entry.at("kind").fail(f"{kind} needs a target condition", "add `target` with its condition")
    if kind == "by_group" and not entry.has("group_by"):
        raise entry.node.fail("does not say which groups to compare", "add `group_by`")
    if kind == "agreement":
        useless = [name for name in ("measures", "group_by") if entry.has(name)]
    else:
        useless = [name for name in _OF_AGREEMENT if entry.has(name)]
    if useless:
        raise entry.at(useless[0]).fail(f"is not used by {kind}", "remove it")


_LONGEST_TEXT = 1000
_LONGEST_CODE = 60
_MOST_TEXTS = 10
_MOST_KNEES = 1_000_000
_SHARES = (
    *("sensitivity", "specificity", "half_width", "lower_limit", "difference"),
    *("discordant", "kappa", "positive_share"),
)


@dataclass(frozen=True)
class Study:
    """A resolved study protocol. Texts that are not given are empty, codes that are not given None.

    `protocol` is the analysis protocol that follows from it; `source` is the file's own content as plain data, which
    `load_study` reads to an equal study.
    """

    code: str
    title: str
    question: str
    hypotheses: tuple[str, ...]
    selection: Selection
    between_tests: str
    blinding_stated: bool
    primary: tuple[StudyAnalysis, ...]
    secondary: tuple[StudyAnalysis, ...]
    subgroups: tuple[str, ...]
    adjustments: tuple[str, ...]
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

    @property
    def hash(self) -> str:
        """sha256 of the resolved study as canonical JSON: equal studies have equal hashes, however written."""
        return canonical_hash(self.to_dict())

    def to_dict(self) -> dict[str, Any]:
        """Every decision as plain dicts, lists and scalars, defaults filled in."""
        decided = {field.name: _plain(getattr(self, field.name)) for field in fields(self) if field.name != "source"}
        return decided | {"protocol": self.protocol.to_dict()}

    @property
    def analyses(self) -> tuple[StudyAnalysis, ...]:
        """Every declared analysis, primary first, then secondary, then the primary ones again in each subgroup."""
        within = (
            replace(one, name=f"{one.name}_by_{group}", group_by=group)
            for group in self.subgroups
            for one in self.primary
            if one.group_by is None and one.kind != "agreement"
        )
        return (*self.primary, *self.secondary, *within)

    def contract(self, contract: Contract) -> Contract:
        """The contract with the study's index tests as maneuvers; those of the catalogue then speak of no condition."""
        recorded = {
            code: replace(one, conditions=(), purpose="safety" if one.purpose == "safety" else "contributor")
            for code, one in contract.catalogue.maneuvers.items()
        }
        tests = {test.code: as_maneuver(test, self.selection.target, contract) for test in self.selection.tests}
        catalogue = replace(contract.catalogue, maneuvers=MappingProxyType(recorded | tests))
        return replace(contract, catalogue=catalogue)


def load_study(source: Path | str | Mapping[str, Any], contract: Contract | None = None) -> Study:
    """Read a study protocol from a file or from plain data.

    Raises ProtocolError (one line: file, line, path inside it, legal set, mend) for anything that is not declared.
    """
    contract = contract or load_contract()
    if isinstance(source, Mapping):
        top = from_data(source, "study", ProtocolError)
    else:
        top = load_yaml(Path(source), ProtocolError)
    form = study_form()
    entry = form.entry("study", top)
    selection = _selection(entry, contract)
    blinding = form.entry("blinding", entry.at("blinding") if entry.has("blinding") else _nothing(top))
    missing = form.entry("missing", entry.at("missing") if entry.has("missing") else _nothing(top))
    primary, secondary = read_analyses(entry, selection)
    alpha = _alpha(entry.at("alpha"))
    study = Study(
        code=_code(entry.at("study")),
        title=_text(entry.at("title")),
        question=_text(entry.at("question")) if entry.has("question") else "",
        hypotheses=_texts(entry.at("hypotheses")) if entry.has("hypotheses") else (),
        selection=selection,
        between_tests=_text(blinding.at("between_tests")) if blinding.has("between_tests") else "",
        blinding_stated=blinding.has("examiner") and blinding.has("reader"),
        primary=primary,
        secondary=secondary,
        subgroups=entry.codes("subgroups", "a group"),
        adjustments=entry.codes("adjustments", "a correction"),
        alpha=alpha,
        family=entry.code("family", "a family") or "none",
        missing_findings=missing.code("findings", "a way") or "",
        missing_references=missing.code("references", "a way") or "",
        planned_size=_planned(entry, selection),
        with_examiners=entry.at("persons").flag(),
        harms=_text(entry.at("harms")) if entry.has("harms") else "",
        governance=_governance(entry),
        protocol=analysis_protocol(entry, blinding, selection.target, alpha, contract),
        source=MappingProxyType(_mapping(top.plain())),
    )
    _distinct(study, entry)
    return study


def _distinct(study: Study, entry: Entry) -> None:
    """Refuse an analysis that has the name of a primary one in a subgroup."""
    names = [one.name for one in study.analyses]
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise entry.at("subgroups").fail(f"'{twice[0]}' is an analysis already", "rename that analysis")


def _nothing(top: Node) -> Node:
    return top.holding({})


def _mapping(data: object) -> dict[str, Any]:
    return dict(data) if isinstance(data, dict) else {}


def _selection(entry: Entry, contract: Contract) -> Selection:
    tests = read_tests(entry.at("tests"), contract)
    reference = study_form().entry(
        "reference", entry.at("reference") if entry.has("reference") else _nothing(entry.node)
    )
    return Selection(
        population=read_filters(entry.at("population"), contract) if entry.has("population") else (),
        tests=tests,
        target=_target(entry.at("target"), contract) if entry.has("target") else None,
        indeterminate=reference.code("indeterminate", "an answer") or "excluded",
    )


def _target(node: Node, contract: Contract) -> Target:
    entry = study_form().entry("target", node)
    code = entry.at("condition").code("a condition of the catalogue", contract.catalogue.conditions)
    condition = contract.catalogue.conditions[code]
    severity: tuple[str, ...] = ()
    if entry.has("severity"):
        legal = [one.code for one in condition.severity]
        if not legal:
            raise entry.at("severity").fail(f"{code} has no severities", "remove it")
        severity = entry.at("severity").codes(f"a severity of {code}", legal)
    return Target(code, severity, entry.code("other_severity", "an answer") or "absent")


def _code(node: Node) -> str:
    code = node.text(CODE)
    if len(code) > _LONGEST_CODE:
        raise node.fail("is too long", f"write at most {_LONGEST_CODE} characters")
    return code


def _text(node: Node) -> str:
    text = " ".join(node.text().split())
    if len(text) > _LONGEST_TEXT or not text.isprintable():
        raise node.fail("is not plain text", f"write at most {_LONGEST_TEXT} printable characters")
    return text


def _texts(node: Node) -> tuple[str, ...]:
    items = node.items()
    if len(items) > _MOST_TEXTS:
        raise node.fail(f"holds {len(items)} texts", f"write at most {_MOST_TEXTS}")
    return tuple(_text(item) for item in items)


def _alpha(node: Node) -> float:
    value = node.number(0, 0.5)
    if not 0 < value < 0.5:
        raise node.fail(f"{value:g} is out of range", "write a number above 0 and below 0.5")
    return value


def _planned(entry: Entry, selection: Selection) -> PlannedSize:
    node = entry.at("planned_size") if entry.has("planned_size") else _nothing(entry.node)
    plan = study_form().entry("planned_size", node)
    tests = [test.code for test in selection.tests]
    numbers = {name: _share(plan.at(name)) for name in _SHARES if plan.has(name)}
    return PlannedSize(
        knees=plan.at("knees").integer(1, _MOST_KNEES) if plan.has("knees") else None,
        aim=plan.code("aim", "an aim"),
        test=plan.at("test").code("an index test of this protocol", tests) if plan.has("test") else None,
        power=_share(plan.at("power")),
        numbers=MappingProxyType(numbers),
    )


def _share(node: Node) -> float:
    value = node.number(0, 1)
    if not 0 < value < 1:
        raise node.fail(f"{value:g} is out of range", "write a number above 0 and below 1")
    return value


def _governance(entry: Entry) -> Governance:
    node = entry.at("governance") if entry.has("governance") else _nothing(entry.node)
    given = study_form().entry("governance", node)
    return Governance(
        purpose=given.code("purpose", "a purpose"),
        determination=given.code("determination", "a determination"),
        learners_covered=given.code("learners_covered", "an answer"),
        data_use_agreement=given.code("data_use_agreement", "an answer"),
    )


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {"is": type(value).__name__} | {
            field.name: _plain(getattr(value, field.name)) for field in fields(value)
        }
    if isinstance(value, Mapping):
        return {key: _plain(inner) for key, inner in value.items()}
    return [_plain(inner) for inner in value] if isinstance(value, tuple) else value

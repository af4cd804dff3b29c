"""The analysis protocol that follows from a study: its own keys under `analysis`, and what the study itself decides."""

from __future__ import annotations

from typing import Any

from examtally.contracts.contract import Contract
from examtally.contracts.protocol import Protocol, load_protocol
from examtally.contracts.study_form import Entry, study_form
from examtally.contracts.study_parts import Target
from examtally.contracts.yamlfile import Node

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

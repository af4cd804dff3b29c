"""A group's own catalogue looked at as a whole: every fault at once, each with an example of how it is written."""

from __future__ import annotations

import re
import sys
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import yaml

from examtally.contracts.catalogue.catalogue import FOLLOW_UP, joints, packaged
from examtally.contracts.catalogue.clinical import Catalogue
from examtally.contracts.catalogue.local import EXTENDS, from_node
from examtally.contracts.contract import contract_for, contract_of
from examtally.contracts.yamlfile import Found, Node, from_data, load_yaml
from examtally.errors import ContractError

_MOST = 60
_LONGEST_EXAMPLE = 100
_STEP = re.compile(r"[^.\[\]]+")
_MISSING = re.compile(r"'(\w+)' is missing")
_STAND_IN: dict[str, dict[str, Any]] = {
    "maneuvers": {
        **{"name": "Text", "phase": "look", "purpose": "contributor", "positive": "Text", "technique": "Text"},
        **{"signs": [], "synonyms": []},
    },
    "conditions": {
        **{"name": "Text", "plain": "Text", "present_means": "Text", "settled_by": [FOLLOW_UP], "window_days": [0, 90]},
    },
    "modalities": {"name": "Text", "label": "text", "always_covers": []},
    "history": {"label": "Text", "question": "Text", "synonyms": []},
    "mechanisms": {"label": "Text", "description": "Text", "synonyms": []},
}
"""What stands in for a part at fault, so that the rest of its entry can be looked at."""


@dataclass(frozen=True)
class CatalogueFault:
    """One fault: where and what in a line, and how such a part is written in the catalogue that comes with us."""

    line: str
    example: str


@dataclass(frozen=True)
class CatalogueCheck:
    """What is wrong with a file; `catalogue` is what it says, None where something is wrong."""

    faults: tuple[CatalogueFault, ...]
    catalogue: Catalogue | None


def unseen_conditions(catalogue: Catalogue) -> tuple[str, ...]:
    """The conditions that the group added and no maneuver speaks of: no page will show them."""
    spoken = {code for one in catalogue.maneuvers.values() for code in one.conditions}
    added = {code for section, codes in added_codes(catalogue) if section == "conditions" for code in codes}
    return tuple(code for code in catalogue.conditions if code in added - spoken)


def check_catalogue(file: Path) -> CatalogueCheck:
    """Find every fault of a catalogue file. Raises ContractError where it cannot be read as YAML at all."""
    found: list[Found] = []
    node = load_yaml(file, ContractError, found)
    base = _base(node)
    faults = [CatalogueFault(str(at.fail(fault.problem, fault.mend)), "") for at, fault in found]
    mended: set[str] = set()
    for _ in range(_MOST):
        try:
            catalogue = contract_of(from_node(node)).catalogue
        except ContractError as fault:
            place = fault.place
            entry = ".".join(_STEP.findall(place)[:2])
            is_secondary = entry in mended and _MISSING.search(str(fault)) is None and len(_STEP.findall(place)) <= 2
            if not is_secondary:
                faults.append(CatalogueFault(str(fault), _example(base, place, str(fault))))
            if not place:
                break
            rest = None if is_secondary else _mended(node, base, place, str(fault), again=place in mended)
            node = _without(node, _STEP.findall(place)[:2]) if rest is None else rest
            mended |= {place, entry}
        else:
            return CatalogueCheck(_in_order(faults), None if faults else catalogue)
    return CatalogueCheck(_in_order(faults), None)


def _in_order(faults: list[CatalogueFault]) -> tuple[CatalogueFault, ...]:
    """The faults by the line of the file."""
    lines = [re.search(r"line ([0-9]+)", fault.line) for fault in faults]
    numbered = [(int(line[1]) if line else 0, at) for at, line in enumerate(lines)]
    return tuple(faults[at] for _, at in sorted(numbered))


def new_catalogue(joint: str) -> str:
    """The text of a catalogue file to begin with: it extends that of a joint; what may be added stands as remarks."""
    catalogue = contract_for(joint).catalogue
    maneuver = next(one for one in catalogue.maneuvers.values() if one.purpose == "diagnostic" and one.published)
    condition = next(one for one in catalogue.conditions.values() if one.settled_by and not one.derived_from)
    return _NEW.format(
        joint=catalogue.joint,
        noun=catalogue.noun.one,
        maneuver=maneuver.code,
        name=maneuver.name,
        condition=condition.code,
        settled_by=", ".join(condition.modalities),
        core=textwrap.fill(", ".join(code for code, one in catalogue.maneuvers.items() if one.core), **_REMARK),
    )


_REMARK: Mapping[str, Any] = MappingProxyType({"width": 110, "initial_indent": "#  ", "subsequent_indent": "#  "})
_NEW = """\
# Our own catalogue of the {noun}: what we add to the one that comes with examtally, and what we say otherwise.
# Take the # away from what you need and write your own words after the colons. Then: examtally catalogue check FILE
# Nothing else has to be changed: give the file to the commands with --catalogue, or as `catalogue: FILE` in a protocol.
# Local protocol and licensed practice come before this file.
extends: {joint}

# --- A maneuver of our own. Its code is small letters, digits and _; it stays for good, as records hold it.
maneuvers: {{}}   # take the {{}} away where lines of yours follow
#  our_test:
#    name: Our test
#    phase: special                 # look, feel, move or special
#    purpose: diagnostic            # diagnostic: speaks of a condition. contributor or safety: of none, no `conditions`
#    conditions: [{condition}]
#    positive: One sentence that says when it counts as positive.
#    signs: [laxity, tenderness]    # what makes it positive
#    technique: How it is done, in a few sentences.
#    cautions:
#      - Stop at the patient's word.
#    published:                     # leave out where nothing is published
#      - condition: {condition}
#        sensitivity: 0.85
#        specificity: 0.90
#        source: Author, Journal 2020;1:2
#        setting: Sports clinic, 120 people
#    synonyms: [our test]           # how it is charted, small letters
#
#  Of a maneuver that is there only the keys that differ. Core is what every exam should have; now it is
{core}
#  {maneuver}:
#    core: true

# --- A condition of our own.
conditions: {{}}   # here too
#  our_condition:
#    name: Our condition
#    plain: What it is, in one sentence for a patient.
#    present_means: What a reading or an operation has to show.
#    settled_by: [{settled_by}]     # what settles it, most trusted first; [] where nothing does
#    window_days: [0, 90]           # days after the exam within which that counts; leave out where nothing settles it
#
#  Of a condition that is there only the keys that differ, as with the maneuvers.
"""


def added_codes(catalogue: Catalogue) -> Iterator[tuple[str, tuple[str, ...]]]:
    """What a catalogue has that the one of its joint in the package has not, by section."""
    if catalogue.joint not in joints():
        return
    plain = load_yaml(packaged(catalogue.joint))
    for section in _STAND_IN:
        new = tuple(code for code in getattr(catalogue, section) if not plain.has(section, code))
        if new:
            yield section, new


def _base(node: Node) -> Node:
    """The catalogue that examples are taken from."""
    extends = node.nearest((EXTENDS,)).content if node.has(EXTENDS) else None
    return load_yaml(packaged(extends if extends in joints() else joints()[0]))


def _mended(node: Node, base: Node, place: str, said: str, *, again: bool) -> Node | None:
    """The file with something legal in the place at fault; None where nothing can stand there."""
    steps = _STEP.findall(place)
    missing = _MISSING.search(said)
    if missing and len(steps) == 2:
        steps = [*steps, missing[1]]
    elif again or len(steps) < 3:
        return None
    section, _, key, *_ = steps
    stand_in = _STAND_IN.get(section, {}).get(key)
    if (section, key) == ("maneuvers", "conditions"):
        stand_in = [next(iter((*base.keys("conditions"), *node.keys("conditions"))))]
    if stand_in is None or "unknown key" in said:
        return _without(node, steps[:3])
    return _put(node, steps[:3], stand_in)


def _put(node: Node, steps: list[str], value: object) -> Node:
    if not steps:
        return from_data({"value": value}, node.file).at("value")
    entries = dict(node.content) if isinstance(node.content, dict) else {}
    below = entries.get(steps[0]) or node.child(steps[0], node.line)
    entries[steps[0]] = _put(below, steps[1:], value)
    return node.holding(entries)


def _without(node: Node, steps: list[str]) -> Node:
    if not (steps and isinstance(node.content, dict)):
        return node
    entries = dict(node.content)
    if len(steps) == 1 or steps[0] not in entries:
        entries.pop(steps[0], None)
    else:
        entries[steps[0]] = _without(entries[steps[0]], steps[1:])
    return node.holding(entries)


def _example(base: Node, place: str, said: str) -> str:
    """How the part at fault is written elsewhere: the first entry of the section that has it."""
    steps = _STEP.findall(place)
    missing = _MISSING.search(said)
    if missing:
        steps = [*steps, missing[1]]
    if len(steps) == 1 and base.has(steps[0]):
        return _written(steps[0], base.at(steps[0]).plain())
    if len(steps) < 3 or not base.has(steps[0]):
        return ""
    for code in base.keys(steps[0]):
        if base.has(steps[0], code, steps[2]):
            return f"as in {code}: {_written(steps[2], base.at(steps[0], code, steps[2]).plain())}"
    return ""


def _written(key: str, value: object) -> str:
    """A key and its value in one line of YAML, cut where it is long."""
    one_line: dict[str, Any] = {"default_flow_style": True, "width": sys.maxsize}
    written = yaml.safe_dump({key: value}, allow_unicode=True, sort_keys=False, **one_line)
    text = re.sub(r"'(\d+)':", r"\1:", " ".join(written.split())[1:-1])
    return text if len(text) <= _LONGEST_EXAMPLE else f"{text[:_LONGEST_EXAMPLE]}…"

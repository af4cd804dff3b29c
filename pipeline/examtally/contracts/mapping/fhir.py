"""HL7 FHIR R4 as a source of a mapping: the declared shape of resources, and paths into them.

A path is a short form of FHIRPath: names with points between, `where(name='text')` after an element that repeats, the
first of several where nothing chooses. `subject.reference` gives the id behind `Patient/`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from examtally.contracts.checks import Fault
from examtally.contracts.yamlfile import Node, load_yaml
from examtally.resources import resource

_STEP = re.compile(r"([A-Za-z][A-Za-z0-9]*)(?:\.?where\(([A-Za-z][A-Za-z0-9.]*) ?= ?'([^'\\]*)'\))?")
_TYPES = {"text": "VARCHAR", "object": "OBJECT", "list": "ARRAY"}
_DEEPEST = 12
_WRITE = "write names with points, such as code.coding.where(system='urn:x').code"


@dataclass(frozen=True)
class ResourceShape:
    """What a resource must have, with the JSON type of each; `repeating` are its elements that repeat.

    `nested` are the elements inside of others that do.
    """

    required: Mapping[str, str]
    status: tuple[str, ...]
    repeating: frozenset[str]
    nested: frozenset[str]


@dataclass(frozen=True)
class FhirShapes:
    """The declared resources; `void` takes a resource back, `quiet` elements say nothing of a person.

    `drafts` are the columns, with their paths, that a first mapping takes of each; `withdrawn` the statuses with which
    a resource says that its participant has withdrawn.
    """

    resources: Mapping[str, ResourceShape]
    drafts: Mapping[str, Mapping[str, tuple[str, ...]]]
    withdrawn: Mapping[str, tuple[str, ...]]
    void: tuple[str, ...]
    quiet: tuple[str, ...]


@dataclass(frozen=True)
class Step:
    """One element of a path; of one that repeats, that whose `where` path holds `text`, else the first."""

    name: str
    where: str | None = None
    text: str = ""


@dataclass(frozen=True)
class FhirColumn:
    """A column made of a resource: the paths whose first filled one gives its value."""

    name: str
    paths: tuple[tuple[Step, ...], ...]


@cache
def fhir_shapes() -> FhirShapes:
    """Return what schemas/fhir.yaml declares."""
    top = load_yaml(resource("schemas") / "fhir.yaml").record(
        required=("void", "quiet", "resources", "nested", "withdrawn", "drafts")
    )
    nested = frozenset(top["nested"].texts())
    names = top["resources"].keys()
    shapes = {}
    for name, node in top["resources"].record(optional=names).items():
        entries = node.record(required=("required", "status", "lists"))
        required = {element: kind.code("a type", _TYPES) for element, kind in entries["required"].table().items()}
        types = MappingProxyType({element: _TYPES[kind] for element, kind in required.items()})
        shapes[name] = ResourceShape(types, entries["status"].texts(), frozenset(entries["lists"].texts()), nested)
    drafts = {
        name: {column: _texts(paths) for column, paths in node.table("a column", ".+").items()}
        for name, node in top["drafts"].record(optional=names).items()
    }
    withdrawn = {name: node.texts() for name, node in top["withdrawn"].record(optional=names).items()}
    return FhirShapes(
        MappingProxyType(shapes),
        MappingProxyType(drafts),
        MappingProxyType(withdrawn),
        tuple(top["void"].texts()),
        tuple(top["quiet"].texts()),
    )


def _texts(node: Node) -> tuple[str, ...]:
    return node.texts() if isinstance(node.plain(), list) else (node.text(),)


def read_path(text: str) -> tuple[Step, ...]:
    """Read a path; raises Fault where it is none.

    >>> [step.name for step in read_path("code.coding.where(system='urn:knee').code")]
    ['code', 'coding', 'code']
    """
    steps = tuple(_steps(text.strip()))
    if len(steps) > _DEEPEST:
        raise Fault("is deeper than a path may be", f"name at most {_DEEPEST} elements")
    return steps


def _steps(text: str) -> Iterator[Step]:
    at = 0
    while at < len(text):
        found = _STEP.match(text, at)
        if found is None or (found.end() < len(text) and text[found.end()] != "."):
            raise Fault(
                f"'{text}' is no path", "write names with points, such as code.coding.where(system='urn:x').code"
            )
        yield Step(found[1], found[2], found[3] or "")
        at = found.end() + 1
    if not text or text.endswith("."):
        raise Fault("is no path", _WRITE)

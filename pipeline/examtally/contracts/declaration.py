"""Files of settings, declared once as typed sections: a frozen dataclass holds keys, kinds, defaults and descriptions.

    @dataclass(frozen=True)
    class Examiners(Section):
        \"\"\"How examiners are pooled.\"\"\"

        margin: Annotated[float, Between(0, 1)] = 0.1
        \"\"\"How far below the group's mean, in probability, an examiner's figure must lie to count as below.\"\"\"

The text below a field is its description. A field without a default is a required key. What one value may be is said
by a `Kind`, what several must be together by `Checked` or by the section's own `faults`. Everything else follows:
`read_section` reads a file (pydantic walks it) and finds all its faults; `schema.py` makes the JSON Schema and the
dictionary of the same declaration.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from functools import cache
from inspect import cleandoc, getsource
from itertools import pairwise
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, ClassVar, TypeAlias, TypeVar, cast

from examtally.contracts.checks import A_LIST, A_MAPPING, Fault, close, kind_of, nearest
from examtally.contracts.contract import Contract
from examtally.contracts.kinds import after, before, raise_all
from examtally.contracts.yamlfile import Found, Node

if TYPE_CHECKING:
    from pydantic import TypeAdapter, ValidationError
    from pydantic_core.core_schema import CoreSchema

_MOST_LINES = 50
Steps: TypeAlias = tuple[str | int, ...]
S = TypeVar("S", bound="Section")


@dataclass(frozen=True)
class Section:
    """Base of every mapping of a declared file with keys of its own."""

    __pydantic_config__: ClassVar[Mapping[str, Any]] = {
        "extra": "forbid",
        "alias_generator": lambda name: name.removesuffix("_"),  # `is_` for the key `is`, a word of Python
    }

    def faults(self, contract: Contract) -> Iterable[Fault]:  # noqa: ARG002  (a section without a rule needs none)
        """What is wrong between the keys of this section, each of them legal by itself."""
        return ()

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: Callable[[Any], CoreSchema]) -> CoreSchema:
        inner: Any = dict(handler(source))
        reference = inner.pop("ref")  # a second use of the section refers to the whole of it, rules included
        outer: Any = before(after(inner, cls._settled), cls._with_known_keys)
        return {**outer, "ref": reference}

    @classmethod
    def _with_known_keys(cls, value: Any, _contract: Contract) -> Any:
        """The keys of a file, each unknown one with the list of those that are known, for its message."""
        if not isinstance(value, dict):
            return value
        known = [field.name.removesuffix("_") for field in fields(cls)]
        return {key: entry if key in known else known for key, entry in value.items()}

    def _settled(self: S, contract: Contract) -> S:
        """This section with its mappings frozen."""
        raise_all(self.faults(contract))
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, dict):
                object.__setattr__(self, field.name, MappingProxyType(value))
        return self


class Faults:
    """Every fault found in one file so far."""

    def __init__(self, top: Node, found: Iterable[Found] = ()) -> None:
        self.top = top
        self.found = list(found)
        self.paths: list[Steps] = []

    def add(self, path: Steps, problem: str, mend: str) -> None:
        """Note a fault at `path`, unless one is known there, above or below: one slip is said once."""
        if not self.about(path):
            self.note(path, problem, mend)

    def note(self, path: Steps, problem: str, mend: str) -> None:
        """Note a fault at `path`, or at the nearest place above it that the file has."""
        self.paths.append(path)
        self.found.append((self.top.nearest(path), Fault(problem, mend)))

    def about(self, *paths: Steps) -> bool:
        """Whether a fault is known at, above or below one of the paths."""
        return any(known[: len(path)] == path[: len(known)] for path in paths for known in self.paths)

    def stop(self) -> None:
        """Raise the file's error if there is a fault: one line for each, in the order of the file."""
        if not self.found:
            return
        found = sorted(self.found, key=lambda one: (one[0].file, one[0].line or 0))
        lines = list(dict.fromkeys(str(node.fail(fault.problem, fault.mend)) for node, fault in found))
        if len(lines) > _MOST_LINES:
            lines[_MOST_LINES:] = [f"{self.top.file}: {len(lines) - _MOST_LINES} more faults; mend these first"]
        raise self.top.error("\n".join(lines))


def read_section(kind: type[S], faults: Faults, contract: Contract) -> S | None:
    """The file of `faults` read as a section; what is wrong with it is noted in `faults`.

    Where there are faults, their keys are passed over and take their defaults, so that the caller can look at the rest;
    None where nothing is left to look at.
    """
    from pydantic import ValidationError

    data = faults.top.plain()
    is_first = True
    while True:
        try:
            read: S = adapter(kind).validate_python(data, context=contract)  # type: ignore[arg-type]  # a class can be hashed
            return read
        except ValidationError as error:
            broken = [_note(one, faults, is_first) for one in _errors(error)]
        if () in broken or not sum(_prune(data, place) for place in broken):
            return None
        is_first = False


def plain(value: Any) -> Any:
    """Sections and what they hold as plain dicts, lists and scalars."""
    if is_dataclass(value):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {key: plain(inner) for key, inner in value.items()}
    return [plain(inner) for inner in value] if isinstance(value, tuple | list) else value


def described(kind: type) -> dict[str, str]:
    """The text below each field of a section, by the field's name, as its source has it."""
    found: dict[str, str] = {}
    for base in reversed([base for base in kind.__mro__ if is_dataclass(base)]):
        for field, below in pairwise(_classes(base.__module__)[base.__name__].body):
            if (
                isinstance(field, ast.AnnAssign)
                and isinstance(below, ast.Expr)
                and isinstance(below.value, ast.Constant)
            ):
                found[cast(ast.Name, field.target).id] = cleandoc(str(below.value.value))
    return found


@cache
def _classes(module: str) -> Mapping[str, ast.ClassDef]:
    tree = ast.parse(getsource(sys.modules[module]))
    return {node.name: node for node in tree.body if isinstance(node, ast.ClassDef)}


@cache
def adapter(kind: Any) -> TypeAdapter[Any]:
    """What reads and describes one kind of file."""
    from pydantic import TypeAdapter

    return TypeAdapter(kind)


def _errors(error: ValidationError) -> Iterator[tuple[Steps, str, Fault]]:
    """Every fault of a file as pydantic found it: where, of what type, and in our words."""
    found = error.errors(include_url=False)
    misspelled = {
        (*one["loc"][:-1], *close(str(one["loc"][-1]), one["input"]))
        for one in found
        if one["type"] == "unexpected_keyword_argument"
    }
    for one in found:
        place = tuple(step for step in one["loc"] if step != "[key]")
        kind = "misspelled" if one["type"] == "missing" and place in misspelled else one["type"]
        for fault in one["ctx"]["faults"] if kind == "faults" else [_in_words(one, place)]:
            yield place, kind, fault


def _in_words(error: Mapping[str, Any], place: Steps) -> Fault:
    if error["type"] == "missing":
        return Fault(f"'{place[-1]}' is missing", f"add the key '{place[-1]}'")
    if error["type"] == "unexpected_keyword_argument":
        return Fault(f"unknown key '{place[-1]}'", nearest(str(place[-1]), error["input"]))
    if error["type"] == "tuple_type":
        return Fault(f"is {kind_of(error['input'])}, not a list", A_LIST)
    return Fault(f"is {kind_of(error['input'])}, not a mapping", A_MAPPING)


def _note(error: tuple[Steps, str, Fault], faults: Faults, is_first: bool) -> Steps:
    """Note a fault and return the keys that lead to what must be passed over for the rest to be read."""
    place, kind, fault = error
    if (is_first and kind != "misspelled") or (kind == "faults" and not faults.about(place)):
        faults.note((*place, *fault.at), fault.problem, fault.mend)
    return place[:-1] if kind in ("missing", "misspelled") else place


def _prune(data: Any, place: Steps) -> bool:
    """Take the key nearest to `place` out of plain data; False where it is gone already."""
    way: list[tuple[Any, str | int]] = []
    below = data
    for step in place:
        if isinstance(step, int) and isinstance(below, dict):
            continue  # one entry stands for a list of one
        inside = step in below if isinstance(below, dict) else isinstance(below, list) and step in range(len(below))
        if not inside:
            break
        way.append((below, step))
        below = below[step]
    for above, step in reversed(way):
        if isinstance(above, dict):
            del above[step]
            return True
    return False

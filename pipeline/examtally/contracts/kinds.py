"""What a key of a declared file may hold: the kinds and rules that annotations are made of.

A `Kind` holds one value to a check, a `Checked` rule holds a whole list or mapping to a rule.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any, TypeAlias, TypeVar

from examtally.contracts.checks import (
    CODE,
    Fault,
    check_code,
    check_flag,
    check_integer,
    check_list,
    check_number,
    check_text,
    check_words,
    nearest,
)
from examtally.contracts.codes import codes_of

if TYPE_CHECKING:
    from pydantic_core.core_schema import CoreSchema

    from examtally.contracts.contract import Contract

T = TypeVar("T")
LONGEST_DAY = 36500
HIGHEST_SEED = 2**32 - 1
MOST_VALUES = 20


def nothing() -> Mapping[str, Any]:
    """The default of a key that holds a mapping."""
    return MappingProxyType({})


class Kind:
    """What one value may be. `check` returns it or raises Fault; `json` is the same as JSON Schema."""

    def check(self, value: Any, contract: Contract) -> Any:
        """The value as it is kept."""
        raise NotImplementedError

    def json(self) -> dict[str, Any]:
        """JSON Schema, with the codes of every joint of the package where a catalogue holds them."""
        raise NotImplementedError

    def __get_pydantic_core_schema__(self, _source: Any, _handler: Any) -> CoreSchema:
        from pydantic_core import core_schema

        def check(value: Any, info: Any) -> Any:
            try:
                return self.check(value, info.context)
            except Fault as fault:
                return raise_all([fault])

        return core_schema.with_info_plain_validator_function(check)

    def __get_pydantic_json_schema__(self, _schema: Any, _handler: Any) -> dict[str, Any]:
        return self.json()


@dataclass(frozen=True)
class Whole(Kind):
    """A whole number within low..high, both inclusive."""

    low: int | None = None
    high: int | None = None

    def check(self, value: Any, _contract: Contract) -> int:
        return check_integer(value, self.low, self.high)

    def json(self) -> dict[str, Any]:
        return {"type": "integer"} | _limits(minimum=self.low, maximum=self.high)


@dataclass(frozen=True)
class Number(Kind):
    """A finite number within low..high, both inclusive."""

    low: float | None = None
    high: float | None = None

    def check(self, value: Any, _contract: Contract) -> float:
        return check_number(value, self.low, self.high)

    def json(self) -> dict[str, Any]:
        return {"type": "number"} | _limits(minimum=self.low, maximum=self.high)


@dataclass(frozen=True)
class Between(Kind):
    """A number above `low` and below `high`."""

    low: float
    high: float

    def check(self, value: Any, _contract: Contract) -> float:
        number = check_number(value)
        if not self.low < number < self.high:
            mend = f"write a number above {self.low:g} and below {self.high:g}"
            raise Fault(f"{number:g} is out of range", mend)
        return number

    def json(self) -> dict[str, Any]:
        return {"type": "number"} | _limits(exclusiveMinimum=self.low, exclusiveMaximum=self.high)


@dataclass(frozen=True)
class Flag(Kind):
    """true or false."""

    def check(self, value: Any, _contract: Contract) -> bool:
        return check_flag(value)

    def json(self) -> dict[str, Any]:
        return {"type": "boolean"}


@dataclass(frozen=True)
class Text(Kind):
    """Text that is not blank; with `pattern`, matching it in full, and with `longest` in one line of plain signs."""

    pattern: str | None = None
    longest: int | None = None
    is_short: bool = False

    def check(self, value: Any, _contract: Contract) -> str:
        text = check_text(value, self.pattern)
        if self.longest is None:
            return text
        if self.pattern is None and not self.is_short:
            text = " ".join(text.split())
        if len(text) > self.longest and self.pattern is not None:
            raise Fault("is too long", f"write at most {self.longest} characters")
        if len(text) > self.longest or not text.isprintable():
            problem = "is not a short line" if self.is_short else "is not plain text"
            raise Fault(problem, f"write at most {self.longest} printable characters")
        return text

    def json(self) -> dict[str, Any]:
        pattern = f"^({self.pattern})$" if self.pattern else None
        return {"type": "string"} | _limits(minLength=1, maxLength=self.longest, pattern=pattern)


@dataclass(frozen=True)
class Title(Text):
    """A short line that names something within the sentences of a report, without a sign of markup."""

    is_short: bool = True

    def check(self, value: Any, contract: Contract) -> str:
        return check_words(super().check(value, contract))


class Anything(Kind):
    """Any plain data."""

    def check(self, value: Any, _contract: Contract) -> Any:
        return value

    def json(self) -> dict[str, Any]:
        return {}


@dataclass(frozen=True, eq=False)
class Code(Kind):
    """One code of a legal set: a mapping from code to meaning, or the name of a set that the contract holds."""

    what: str
    legal: Mapping[str, str] | str

    def codes(self, contract: Contract) -> Mapping[str, str]:
        """Every legal code and its meaning."""
        return codes_of(self.legal, contract) if isinstance(self.legal, str) else self.legal

    def check(self, value: Any, contract: Contract) -> str:
        return check_code(value, self.what, self.codes(contract))

    def json(self) -> dict[str, Any]:
        """The codes of every joint that comes with the package: a schema does not know of which one a file speaks."""
        from examtally.contracts.contract import registry_contract

        shipped = registry_contract().joints.values()
        codes: dict[str, str] = {}
        for contract in shipped:
            codes |= {code: codes.get(code, meaning) for code, meaning in self.codes(contract).items()}
        meanings = {"enumDescriptions": list(codes.values())} if any(codes.values()) else {}
        source = {"$comment": f"codes of {self.legal}"} if isinstance(self.legal, str) else {}
        return {"type": "string", "enum": list(codes), **meanings, **source}


def one_of(**meanings: str) -> Code:
    """One of these codes, each with its meaning."""
    return Code("a legal value", meanings)


class Key(Code):
    """A key of a mapping, out of a legal set."""

    def check(self, value: Any, contract: Contract) -> str:
        codes = self.codes(contract)
        if value not in codes:
            raise Fault(f"unknown key '{value}'", nearest(value, codes))
        return str(value)


@dataclass(frozen=True)
class Name(Kind):
    """A key of a mapping that the file makes up itself; `what` names its kind with the article."""

    what: str
    pattern: str = CODE

    def check(self, value: Any, _contract: Contract) -> str:
        try:
            check_text(value, self.pattern)
        except Fault:
            raise Fault(f"'{value}' cannot be {self.what}", f"use a name that matches {self.pattern}") from None
        return str(value)

    def json(self) -> dict[str, Any]:
        return {"type": "string", "pattern": f"^({self.pattern.removeprefix('(?s)')})$"}


@dataclass(frozen=True)
class Two(Kind):
    """Two values of a kind, as [one, other]; `is_rising` where the first must not be above the second."""

    item: Kind
    problem: str
    mend: str
    is_rising: bool = False

    def check(self, value: Any, contract: Contract) -> tuple[Any, ...]:
        items = tuple(_part(self.item, index, one, contract) for index, one in enumerate(check_list(value)))
        if len(items) != 2 or (self.is_rising and items[0] > items[1]):
            raise Fault(self.problem, self.mend)
        return items

    def json(self) -> dict[str, Any]:
        return {"type": "array", "items": self.item.json(), "minItems": 2, "maxItems": 2}


@dataclass(frozen=True, eq=False)
class Checked:
    """A rule on a whole value: `rule(value, contract)` gives its faults; `legal` says the legal set in words."""

    rule: Callable[[Any, Contract], Iterable[Fault]]
    legal: str = ""
    json: Mapping[str, Any] | None = None

    def __get_pydantic_core_schema__(self, source: Any, handler: Callable[[Any], CoreSchema]) -> CoreSchema:
        def check(value: Any, contract: Contract) -> Any:
            raise_all(self.rule(value, contract))
            return value

        return after(handler(source), check)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: Callable[[Any], Any]) -> dict[str, Any]:
        return {**handler(schema), **(self.json or {}), **({"title": self.legal} if self.legal else {})}


@dataclass(frozen=True, eq=False)
class Short:
    """A value that may be written shorter: `longer(value, contract)` gives the full form.

    `json` describes the shorter forms; None where it is one entry in place of a list of one.
    """

    longer: Callable[[Any, Contract], Any]
    json: Sequence[Mapping[str, Any]] | None = None

    def __get_pydantic_core_schema__(self, source: Any, handler: Callable[[Any], CoreSchema]) -> CoreSchema:
        return before(handler(source), self.longer)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: Callable[[Any], Any]) -> dict[str, Any]:
        full = handler(schema)
        return {"anyOf": [*([full["items"]] if self.json is None else map(dict, self.json)), full]}


@dataclass(frozen=True)
class Legal:
    """The legal set in words, where kind and limits do not say it."""

    words: str

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: Callable[[Any], Any]) -> dict[str, Any]:
        return {**handler(schema), "title": self.words}


class Absent:
    """On a key that may be left out and is None then, and yet may not be written and left blank."""

    def __get_pydantic_core_schema__(self, source: Any, handler: Callable[[Any], CoreSchema]) -> CoreSchema:
        schema: Any = handler(source)
        inner: CoreSchema = schema["schema"] if schema["type"] == "nullable" else schema
        return inner


@dataclass(frozen=True)
class Default:
    """The default of a key of which the reader must know whether it is given."""

    value: Any

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: Callable[[Any], Any]) -> dict[str, Any]:
        return {**handler(schema), "default": list(self.value) if isinstance(self.value, tuple) else self.value}


def distinct(values: Sequence[Any], _contract: Contract) -> Iterator[Fault]:
    """Every value that stands twice in a list."""
    for index, value in enumerate(values):
        if value in values[:index]:
            yield Fault(f"'{value}' stands twice", "keep it once", index)


def ascending(values: Sequence[float], _contract: Contract) -> Iterator[Fault]:
    """A list that is too long or does not rise."""
    if not 1 <= len(values) <= MOST_VALUES or any(a >= b for a, b in pairwise(values)):
        yield Fault("is not ascending", f"write 1 to {MOST_VALUES} numbers, each larger than the one before")


Distinct: TypeAlias = Annotated[tuple[T, ...], Checked(distinct, json={"uniqueItems": True})]
"""A list of values, none twice."""
Rising: TypeAlias = Annotated[tuple[T, ...], Checked(ascending, "ascending numbers")]
Share: TypeAlias = Annotated[float, Between(0, 1)]
Line: TypeAlias = Annotated[str, Text()]
Seed: TypeAlias = Annotated[int, Whole(0, HIGHEST_SEED)]
SEED = 20260301
Condition: TypeAlias = Annotated[str, Key("a condition", "conditions")]
Maybe: TypeAlias = Annotated[T | None, Absent()]
"""A key that may be left out."""


def after(schema: CoreSchema, check: Callable[[Any, Contract], Any]) -> CoreSchema:
    from pydantic_core import core_schema

    return core_schema.with_info_after_validator_function(lambda value, info: check(value, info.context), schema)


def before(schema: CoreSchema, change: Callable[[Any, Contract], Any]) -> CoreSchema:
    from pydantic_core import core_schema

    return core_schema.with_info_before_validator_function(lambda value, info: change(value, info.context), schema)


def raise_all(faults: Iterable[Fault]) -> None:
    from pydantic_core import PydanticCustomError

    given = list(faults)
    if given:
        raise PydanticCustomError("faults", "is at fault", {"faults": given})


def _part(kind: Kind, index: int, value: Any, contract: Contract) -> Any:
    try:
        return kind.check(value, contract)
    except Fault as fault:
        raise Fault(fault.problem, fault.mend, index, *fault.at) from None


def _limits(**limits: Any) -> dict[str, Any]:
    return {name: value for name, value in limits.items() if value is not None}

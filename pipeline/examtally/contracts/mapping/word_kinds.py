"""Kinds of values that only mapping files have: words and their codes, repeats, silence, paths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from examtally.contracts.checks import Fault, check_text, kind_of
from examtally.contracts.contract import Contract
from examtally.contracts.kinds import Code, Kind
from examtally.contracts.mapping.fhir import Step, read_path
from examtally.contracts.mapping.mapping import fold

CATALOGUE = "catalogue"
REPEATS = Code(
    "what is done with repeats",
    {
        "same": "lines that say the same are one; lines that differ are all held back",
        "first": "the first line is taken whatever the others say; the report says so",
        "filled": "lines that do not contradict each other are one, blanks filled from any of them",
    },
)


@dataclass(frozen=True)
class Scalar(Kind):
    """One value, kept as text."""

    def check(self, value: Any, _contract: Contract) -> str:
        if isinstance(value, bool) or value is None or isinstance(value, dict | list):
            raise Fault("is not one value", "write a word or a number; put true and false in quotes")
        return str(value).strip()

    def json(self) -> dict[str, Any]:
        return {"type": ["string", "number"]}


@dataclass(frozen=True)
class Words(Kind):
    """Written words and what each stands for; with `may_be_blank`, None for a blank."""

    may_be_blank: bool = True

    def check(self, value: Any, contract: Contract) -> dict[str, str | None]:
        if not isinstance(value, dict):
            raise Fault(f"is {kind_of(value)}, not a mapping", "write it as lines of 'word: code'")
        folded: dict[str, str] = {}
        for word in value:
            if fold(word) in folded:
                raise Fault(f"'{word}' is the same word as '{folded[fold(word)]}'", "keep one of them", word)
            folded[fold(word)] = word
        return {word: self._code(word, code, contract) for word, code in value.items()}

    def _code(self, word: str, code: Any, contract: Contract) -> str | None:
        if code is None and self.may_be_blank:
            return None
        try:
            return Scalar().check(code, contract)
        except Fault as fault:
            raise Fault(fault.problem, fault.mend, word) from None

    def json(self) -> dict[str, Any]:
        types = ["string", "number", *(["null"] if self.may_be_blank else [])]
        return {"type": "object", "additionalProperties": {"type": types}}


class EachWords(Kind):
    """Words and codes of a name of `each`: a mapping, a list of words that are codes, or `catalogue` (None)."""

    def check(self, value: Any, contract: Contract) -> dict[str, str | None] | None:
        if isinstance(value, list):
            return {check_text(word, None, index): check_text(word) for index, word in enumerate(value)}
        if isinstance(value, dict):
            return Words(may_be_blank=False).check(value, contract)
        Code("a way to name words", {CATALOGUE: ""}).check(value, contract)
        return None

    def json(self) -> dict[str, Any]:
        words = {"type": "array", "items": {"type": "string"}}
        return {"anyOf": [Words(may_be_blank=False).json(), words, {"const": CATALOGUE}]}


class RepeatsOf(Kind):
    """A code of what is done with repeats, or {latest: column}."""

    def check(self, value: Any, contract: Contract) -> tuple[str, str | None]:
        if isinstance(value, dict):
            if list(value) != ["latest"]:
                raise Fault("is not {latest: column}", "name the column that tells which line is the latest")
            return "latest", check_text(value["latest"], None, "latest")
        return REPEATS.check(value, contract), None

    def json(self) -> dict[str, Any]:
        latest = {"type": "object", "properties": {"latest": {"type": "string"}}, "required": ["latest"]}
        return {"anyOf": [REPEATS.json(), latest]}


class Unlisted(Kind):
    """What is said by silence: `absent` of every condition that the reading always covers, or a list of conditions."""

    def check(self, value: Any, contract: Contract) -> tuple[str, ...] | None:
        if isinstance(value, list):
            return tuple(Code("a condition", "conditions").check(one, contract) for one in value)
        Code("what unlisted means", {"absent": ""}).check(value, contract)
        return None

    def json(self) -> dict[str, Any]:
        return {"anyOf": [{"const": "absent"}, {"type": "array", "items": {"type": "string"}}]}


class Glue(Kind):
    """Text, which may be none."""

    def check(self, value: Any, _contract: Contract) -> str:
        return "" if value == "" else check_text(value)

    def json(self) -> dict[str, Any]:
        return {"type": "string"}


class Paths(Kind):
    """A path into a FHIR resource, or a list of them of which the first that is filled counts."""

    def check(self, value: Any, _contract: Contract) -> tuple[tuple[Step, ...], ...]:
        texts = value if isinstance(value, list) and value else [value]
        return tuple(read_path(check_text(text)) for text in texts)

    def json(self) -> dict[str, Any]:
        return {"type": ["string", "array"]}

"""How the values of a column are written in a drafted mapping: codes for what is known, a mark for what is not."""

from __future__ import annotations

import re
from collections.abc import ItemsView, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite

from examtally.contracts.mapping.mapping import fold
from examtally.contracts.records.synonyms import own_words, synonyms
from examtally.contracts.records.tables import Field
from examtally.ingestion.drafting.column_inference import SURE, Guesser
from examtally.ingestion.drafting.profiling import Column
from examtally.ingestion.drafting.value_match import parts
from examtally.ingestion.drafting.yaml_text import UNSURE, flow_map, quoted_text
from examtally.ingestion.mapping.preview import is_code_like

_MOST_SHOWN = 6
_OF_FINDING = ("result", "grade", "end_point", "reason", "sign")
_UNITS = {"inch": r"\b(in|inch|inches)\b", "mm": r"\bmm\b", "weeks": r"week|wk|wochen", "months": r"month|mon\b|monat"}
_YEARS = r"year|yrs|jahr"


@dataclass(frozen=True)
class Drafted:
    """The text of a value and what a person should look at, blank where nothing."""

    text: str
    doubt: str = ""

    def line(self, name: str) -> str:
        """One line of `columns`."""
        return f"{name}: {self.text}" + (f"   {UNSURE} {self.doubt}" if self.doubt else "")


def coded(
    guesser: Guesser, name: str, field: Field, columns: Sequence[Column], column: str | None, score: float
) -> Drafted:
    """A value read from a column, or from the cell where `column` is None; `name` is its place, `table.column`."""
    source = [] if column is None else [f"column: {quoted_text(column)}"]
    doubts = ["guessed from its name or values"] if score < SURE else []
    if field.enum is not None or field.depends is not None:
        codes, unknown = _translated(columns, guesser.words(name), _own(field))
        doubts += _unplaced(unknown)
        extra = [f"codes: {flow_map(codes)}"] if codes else []
    else:
        extra = _numeric(field, columns, column or columns[0].name)
    return Drafted(_joined(source, extra, column), "; ".join(doubts))


def severity_of(guesser: Guesser, columns: Sequence[Column]) -> str:
    """The severities that cells of a status name as well, blank where they name none."""
    codes, _ = _translated(columns, guesser.words("references.severity"), {})
    return Drafted(f"{{codes: {flow_map(codes)}, where_listed: true}}").line("severity") if codes else ""


def _own(field: Field) -> Mapping[str, str]:
    """The words that need no translation: codes, their names and, of a column that the catalogue limits, its values."""
    listed = {str(one) for values in (field.depends.allowed if field.depends else {}).values() for one in values}
    return {**{fold(one): one for one in listed}, **own_words(field)}


def finding_values(guesser: Guesser, columns: Sequence[Column], column: str | None, graded: bool) -> dict[str, Drafted]:
    """The columns of findings that one cell speaks of: a result, and what stands beside it."""
    vocabularies = {name: guesser.words(f"findings.{name}") for name in _OF_FINDING}
    found: dict[str, dict[str, str | None]] = {name: {} for name in _OF_FINDING}
    unknown: dict[str, int] = {}
    is_parted = False
    for value, lines in _values(columns):
        known, rest = _parse(value, vocabularies)
        is_parted |= len(known) > 1
        for word, name, code in known:
            found[name].setdefault(word, code)
        if rest or not known:
            unknown[value] = unknown.get(value, 0) + lines
    grades = {word: code for word, code in guesser.words("findings.grade").items() if word in found["result"]}
    if graded and any(word not in ("+", "i") for word in grades):
        found["grade"] = dict(grades)
    is_parted |= bool(found["grade"])
    key = "parts" if is_parted else "codes"
    source = [] if column is None else [f"column: {quoted_text(column)}"]
    drafted = {}
    for name, codes in found.items():
        if name == "result" or codes:
            listed = ", where_listed: true" if name in ("grade", "sign") else ""
            said = _worth_saying(codes, name)
            pairs = said if said or name == "result" else codes  # an empty list would look like one to fill in
            words = [f"{key}: {flow_map(pairs)}"] if pairs or name != "result" else []
            text = _joined(source, words, column)
            drafted[name] = Drafted(text[:-1] + listed + "}" if listed else text)
    drafted["result"] = Drafted(drafted["result"].text, "; ".join(_unplaced(unknown)))
    return drafted


def _parse(
    value: str, vocabularies: Mapping[str, Mapping[str, str]]
) -> tuple[list[tuple[str, str, str | None]], list[str]]:
    """The known parts of a cell (word, column, code), the longest first, and what is left; the result comes first."""
    whole = fold(value)
    if whole in vocabularies["result"]:
        return [(whole, "result", vocabularies["result"][whole])], []
    words = parts(value)
    known: list[tuple[str, str, str | None]] = []
    rest: list[str] = []
    at = 0
    while at < len(words):
        for length in range(min(4, len(words) - at), 0, -1):
            phrase = " ".join(words[at : at + length])
            order = ("result", *_OF_FINDING[2:]) if not known else _OF_FINDING[2:]
            name = next((name for name in order if phrase in vocabularies[name]), None)
            if name is not None:
                known.append((phrase, name, vocabularies[name][phrase]))
                at += length
                break
        else:
            rest.append(words[at])
            at += 1
    return known, rest


def _worth_saying(codes: Mapping[str, str | None], name: str) -> dict[str, str | None]:
    """Codes without those that say themselves."""
    return {word: code for word, code in codes.items() if name == "grade" or word != fold(code or "")}


def _values(columns: Iterable[Column]) -> ItemsView[str, int]:
    counted: dict[str, int] = {}
    for column in columns:
        for value, lines in column.values:
            counted[value] = counted.get(value, 0) + lines
    return counted.items()


def _translated(
    columns: Sequence[Column], words: Mapping[str, str], own: Mapping[str, str]
) -> tuple[dict[str, str | None], dict[str, int]]:
    codes: dict[str, str | None] = {}
    seen: set[str] = set()
    unknown: dict[str, int] = {}
    for value, lines in _values(columns):
        word = fold(value)
        if word in words and word not in own and word not in seen:
            codes[value] = words[word]
            seen.add(word)
        elif word not in words and word not in own:
            unknown[value] = lines
    return codes, unknown


def _unplaced(unknown: Mapping[str, int]) -> list[str]:
    if not unknown:
        return []
    shown = [f"'{value}'" for value, lines in unknown.items() if is_code_like(value, lines)][:_MOST_SHOWN]
    others = len(unknown) - len(shown)
    listed = [*shown, *([f"{others} more, not shown"] if others else [])]
    return [f"no code for {', '.join(listed)}"]


def listed_with_counts(values: Mapping[str, int]) -> str:
    """Values with their lines, those that may name a person only counted.

    >>> listed_with_counts({"JLT-L": 17, "Ottoline Marrowgate": 1})
    "'JLT-L' (17), 1 more, not shown"
    """
    shown = [f"'{value}' ({lines})" for value, lines in values.items() if is_code_like(value, lines)]
    others = len(values) - len(shown)
    return ", ".join([*shown, *([f"{others} more, not shown"] if others else [])])


def _numeric(field: Field, columns: Sequence[Column], name: str) -> list[str]:
    """The unit of numbers, from the name of the column and the size of its values."""
    if field.type == "string":
        return []
    numbers = [number for value, _ in _values(columns) if (number := _number(value)) is not None]
    low_name = re.sub(r"[^a-zà-ÿ]+", " ", name.lower())
    if field.maximum == 1:
        words = _probability_words(columns)
        percent = ["unit: percent"] if numbers and max(numbers) > 1 else []
        return ([f"codes: {flow_map(words)}"] if words else []) + percent
    units = ("inch", "mm") if field.unit == "cm" else ("weeks", "months") if field.unit == "days" else ()
    unit = next((unit for unit in units if re.search(_UNITS[unit], low_name)), None)
    if field.unit == "days" and unit is None and re.search(_YEARS, low_name):
        unit = "years"
    if unit is None and field.type == "integer" and any(number != int(number) for number in numbers):
        unit = "whole"
    return [f"unit: {unit}"] if unit else []


def _probability_words(columns: Sequence[Column]) -> dict[str, str | None]:
    known = {fold(word): code for code, words in synonyms().codes["*.probability"].items() for word in words}
    return {
        value: known[fold(value)] for value, _ in _values(columns) if fold(value) in known and _number(value) is None
    }


def _number(value: str) -> float | None:
    """The finite number a text stands for; None where it is none."""
    try:
        number = float(value.strip(" %").replace(",", "."))
    except ValueError:
        return None
    return number if isfinite(number) else None


def _joined(source: list[str], extra: list[str], column: str | None) -> str:
    if not extra:
        return quoted_text(column if column is not None else "{cell}")
    return "{" + ", ".join([*source, *extra]) + "}"

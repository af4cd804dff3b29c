"""What a finished mapping taught: names of columns, local test names and value words, for the next draft."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from examtally.contracts.contract import Contract, contract_for, registry_contract
from examtally.contracts.mapping.file import load_mapping
from examtally.contracts.mapping.mapping import (
    CELL,
    PIECE,
    BodyMass,
    Constant,
    ExportMapping,
    FromColumn,
    Joined,
    Rows,
    Value,
    fold,
)
from examtally.contracts.records.own_synonyms import BODY, OwnSynonyms, load_own_synonyms, place_of
from examtally.errors import ContractError
from examtally.ingestion.drafting.vocabulary import Lexicon

_SIDE = "{side}"
_BETWEEN = " _-.:/("
_WORDS = re.compile(r"[^\W_]+( [^\W_]+)*")
_NOT_READ = "not read"
_ANSWERS = ("result", "answer", "status")
_OF_ONE = (*_ANSWERS, "reason", "sign", "pain", "grade", "measure", "measured_by", "flexion_deg", "end_point",
           "severity", "pattern", "probability")  # fmt: skip
_HEAD = """\
# Words of our own exports, for `examtally map draft`. Written by `examtally map learn`; add words by hand where you
# like, but put no comments below: the next `map learn` writes the file anew.
title: Our own synonyms
"""
Taught = Iterator[tuple[str, str, str]]
"""Each a place, a word and what it means there: a column of the record tables, or a code."""


@dataclass(frozen=True)
class Learned:
    """What `learn` added to a file, by kind, and words that the mappings read in two ways, which are left out.

    `changed` are words that the file had with another meaning.
    """

    columns: int
    codes: int
    ignored: int
    changed: int
    unclear: int


def learn(mappings: Iterable[Path], file: Path, *, joint: str | None = None, catalogue: Path | None = None) -> Learned:
    """Add to the synonyms in `file` what finished mappings taught that `map draft` does not know by itself.

    Only names of columns and words for codes of the record tables: no identifier, no name of a file, and no column
    that `deidentify` replaces, so that the next draft says again that it must be. Raises
    MappingError or ContractError where a file is wrong; then nothing is written.
    """
    contract, every = contract_for(joint, catalogue), registry_contract(joint, catalogue)
    before = load_own_synonyms(file, every) if file.exists() else OwnSynonyms()
    taught: dict[tuple[str, str], dict[str, str]] = {}
    for path in mappings:
        for place, word, meaning in _taught(load_mapping(path, contract), contract):
            taught.setdefault((place, fold(word)), {}).setdefault(meaning, word)
    clear = {key: next(iter(found.items())) for key, found in taught.items() if len(found) == 1}
    lexicon = Lexicon(contract, before)
    new = {key: pair for key, pair in clear.items() if not _is_known(lexicon, *key, pair[0])}
    made = _own(new)
    after = before.with_those_of(made)
    _write(file, after)
    places = [place for place, _ in new]
    return Learned(
        columns=places.count("column") - len(made.ignored),
        codes=len(places) - places.count("column"),
        ignored=len(made.ignored),
        changed=before.count + made.count - after.count,
        unclear=len(taught) - len(clear),
    )


def _own(new: Mapping[tuple[str, str], tuple[str, str]]) -> OwnSynonyms:
    columns: dict[str, str] = {}
    codes: dict[str, dict[str, str]] = {}
    ignored = []
    for (place, _), (meaning, word) in new.items():
        if place != "column":
            codes.setdefault(place, {})[word] = meaning
        elif meaning == _NOT_READ:
            ignored.append(word)
        else:
            columns[word] = meaning
    return OwnSynonyms(columns, codes, tuple(ignored))


def _taught(mapping: ExportMapping, contract: Contract) -> Taught:
    read: set[str] = set()
    section = mapping.deidentify
    raw = set() if section is None else set(map(fold, (*section.participant, *section.codes, *section.read_dates)))
    for rows in mapping.rows:
        is_named_by_the_export = mapping.sources[rows.source].fhir is None
        for place, word, meaning in (*_columns(rows, contract), *_words(rows, contract)):
            if place != "column":
                yield place, word, meaning
            elif is_named_by_the_export:
                read.add(fold(word))
                if fold(word) not in raw:
                    yield place, word, meaning
    for source in mapping.sources.values():
        for name in source.ignore if source.fhir is None else ():
            if "*" not in name and fold(name) not in read:
                yield "column", name, _NOT_READ


def _columns(rows: Rows, contract: Contract) -> Taught:
    """The columns that an entry reads for one column of its table each.

    Where the entry speaks of one maneuver or condition, the column of its result has a name of that.
    """
    table = contract.tables[rows.table]
    told, code = _one_told(rows)
    for name, value in rows.columns.items():
        if told and name in _OF_ONE:
            if name in _ANSWERS and (word := _column(value)):
                yield place_of(table, told), word, code
            continue
        if isinstance(value, BodyMass):
            yield from (("column", text, place) for text, place in zip((value.weight, value.height), BODY, strict=True))
            continue
        word = _column(value)
        if word:
            yield "column", word, place_of(table, name)


def _one_told(rows: Rows) -> tuple[str, str]:
    """The maneuver, item or condition that a whole entry speaks of, as its column and code; blanks where none."""
    fixed = ((name, rows.columns.get(name)) for name in ("maneuver", "item", "condition"))
    return next(((name, value.text) for name, value in fixed if isinstance(value, Constant)), ("", ""))


def _column(value: Value) -> str:
    """The name of the one column that is read, without its side; blank where it is none, or part of several."""
    if isinstance(value, Joined):
        parts = [one for one in value.parts if isinstance(one, FromColumn)]
        return _column(parts[0]) if len(parts) == 1 else ""
    if not isinstance(value, FromColumn) or value.same_as is not None or value.column in (CELL, PIECE):
        return ""
    bare = value.column.replace(_SIDE, "").strip(_BETWEEN)
    return "" if "{" in bare else bare


def _words(rows: Rows, contract: Contract) -> Taught:
    """The words that an entry translates to codes of closed columns."""
    table = contract.tables[rows.table]
    closed = {field.name for field in table.fields if field.enum is not None}
    for name, words in rows.each.items():
        if name not in rows.open_each and (name in closed or name == "side"):
            yield from ((place_of(table, name), word, code) for word, code in words.items())
    for name, value in rows.columns.items():
        if not isinstance(value, FromColumn) or not (name in closed or table.field(name).maximum == 1):
            continue
        place = "exams.side" if value.same_as == "side" else place_of(table, name)
        legal = contract.tables[place.partition(".")[0]].field(place.partition(".")[2]).enum
        for word, code in (*(value.codes or {}).items(), *(value.parts or {}).items(), *_plain_words(value.matches)):
            if code and (legal is None or code in legal):
                yield place, word, code


def _plain_words(matches: Iterable[tuple[str, str]]) -> Iterator[tuple[str, str]]:
    """The words that patterns are made of, such as `^acl` or `normal|intact`."""
    for pattern, code in matches:
        for one in pattern.split("|"):
            word = one.replace("\\b", "").strip("^$ ")
            if _WORDS.fullmatch(word):
                yield word, code


def _is_known(lexicon: Lexicon, place: str, word: str, meaning: str) -> bool:
    """Whether a draft takes the word for that already."""
    if place != "column":
        return lexicon.words(place).get(word) == meaning
    if meaning == _NOT_READ:
        return lexicon.is_left_out(word)
    return lexicon.place_of(word) == meaning


def _write(file: Path, words: OwnSynonyms) -> None:
    """Write the file whole or not at all, for its owner and group as it was."""
    lines = [_HEAD]
    lines += _section("columns", _turned(words.columns))
    lines += ["codes:"] if words.codes else []
    for place in sorted(words.codes):
        lines += [f"  {place}:", *(f"  {line}" for line in _listed(_turned(words.codes[place])))]
    lines += [f"ignored: {_flow(words.ignored)}"] if words.ignored else []
    beside = file.with_name(f".{file.name}.new")
    try:
        beside.write_text("\n".join(lines) + "\n", encoding="utf-8")
        beside.replace(file)
    except OSError:
        beside.unlink(missing_ok=True)
        raise ContractError(f"{file} cannot be written; name a file in a folder you may write to") from None


def _section(name: str, words: Mapping[str, list[str]]) -> list[str]:
    return [f"{name}:", *_listed(words)] if words else []


def _listed(words: Mapping[str, list[str]]) -> list[str]:
    return [f"  {json.dumps(key) if key[0].isdigit() else key}: {_flow(words[key])}" for key in sorted(words)]


def _turned(words: Mapping[str, str]) -> dict[str, list[str]]:
    """The words by what they mean."""
    found: dict[str, list[str]] = {}
    for word, meaning in words.items():
        found.setdefault(meaning, []).append(word)
    return found


def _flow(words: Iterable[str]) -> str:
    return "[" + ", ".join(json.dumps(word, ensure_ascii=False) for word in sorted(words)) + "]"

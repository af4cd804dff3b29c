"""How much of a finished mapping a drafted one has: each column and each word right, marked as unsure, or wrong."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from examtally.contracts.contract import load_contract
from examtally.contracts.mapping.mapping import fold
from examtally.contracts.records.synonyms import own_words

CONTRACT = load_contract()


@dataclass
class Score:
    """Counts of `right`, `marked` and `wrong`, for columns, codes and what identifies; `faults` names the wrong."""

    columns: Counter[str] = field(default_factory=Counter)
    codes: Counter[str] = field(default_factory=Counter)
    identifying: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)

    def add(self, draft: str, finished: str) -> None:
        """Hold a draft to the finished mapping of the same export."""
        made, due = _alike(yaml.safe_load(draft)), _alike(yaml.safe_load(finished))
        unsure = [line for line in draft.splitlines() if "# unsure:" in line]
        read, wanted = _columns_of(made), _columns_of(due)
        for place, columns in wanted.items():
            for column in sorted(columns):
                is_marked = _is_marked(unsure, column, place[1])
                self._note(self.columns, column in read.get(place, ()), is_marked, f"{place}: {column}")
        words = _words_of(made)
        for place, pairs in _words_of(due).items():
            for word, codes in pairs.items():
                said = words.get(place, {}).get(word) or {_own(*place).get(word)}
                is_marked = _is_marked([fold(line) for line in unsure], word, fold(place[1]))
                self._note(self.codes, said == codes, is_marked, f"{place}: {word}")

        known = _identifying(made)
        for role, column in sorted(_identifying(due)):
            self._note(
                self.identifying, (role, column) in known, _is_marked(unsure, column, column), f"{role}: {column}"
            )

    def _note(self, counts: Counter[str], is_right: bool, is_marked: bool, what: str) -> None:
        counts["right" if is_right else "marked" if is_marked else "wrong"] += 1
        if not (is_right or is_marked):
            self.faults.append(what)

    def share(self, counts: Counter[str]) -> float:
        """Right or marked, of all."""
        return 1 - counts["wrong"] / sum(counts.values())

    def __str__(self) -> str:
        return "; ".join(
            f"{name}: {counts['right']} right, {counts['marked']} marked, {counts['wrong']} wrong of "
            f"{sum(counts.values())} ({self.share(counts):.1%})"
            for name, counts in (("columns", self.columns), ("codes", self.codes), ("identifying", self.identifying))
            if counts
        )


def _is_marked(unsure: list[str], text: str, column: str) -> bool:
    return any(text in line or line.strip().startswith(f"{column}:") for line in unsure)


def _entries(mapping: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for table, entries in mapping["tables"].items():
        for entry in entries if isinstance(entries, list) else [entries]:
            yield table, entry


def _alike(mapping: dict[str, Any]) -> dict[str, Any]:
    """The mapping with one name for each column that de-identification makes, whatever it was called."""
    section = mapping.get("deidentify") or {}
    names = {section[key]["column"]: f"new {key}" for key in ("period", "age") if "column" in (section.get(key) or {})}
    for _, entry in _entries(mapping):
        for column, value in entry["columns"].items():
            if isinstance(value, str) and value in names:
                entry["columns"][column] = names[value]
    return mapping


def _identifying(mapping: dict[str, Any]) -> set[tuple[str, str]]:
    """What each column is in the section `deidentify`, and the order of its dates."""
    section = mapping.get("deidentify")
    if section is None:
        return set()
    found = {("participant", column) for column in section["participant"]}
    found |= {(kind, column) for column, kind in section.get("codes", {}).items()}
    found |= {("date", column) for column in section.get("dates", ())} | {("order", section.get("date_order", ""))}
    for key in ("period", "age"):
        entry = section.get(key) or {}
        found |= {(f"{key}.{part}", entry[part]) for part in ("from", "born", "at") if part in entry}
        found |= {(key, entry.get("column", ""))} if key == "age" and "born" not in entry else set()
    for column, pair in section.get("between", {}).items():
        found |= {(f"{column} {end}", date) for end, date in zip(("from", "to"), pair, strict=True)}
    return found


def _columns_of(mapping: dict[str, Any]) -> dict[tuple[str, str], set[str]]:
    """The columns of the export that each column of a record table is read from."""
    read: dict[tuple[str, str], set[str]] = {}
    for table, entry in _entries(mapping):
        for column, value in entry["columns"].items():
            read.setdefault((table, column), set()).update(_read(value))
    return read


def _read(value: Any) -> list[str]:
    if isinstance(value, str):
        return [value]
    if "join" in value:
        return [column for part in value["join"] for column in _read(part)]
    return [value["column"]] if "column" in value else []


def _words_of(mapping: dict[str, Any]) -> dict[tuple[str, str], dict[str, set[Any]]]:
    """The words of each column and what they become; patterns count as the words that they are made of."""
    found: dict[tuple[str, str], dict[str, set[Any]]] = {}
    for table, entry in _entries(mapping):
        said = [(name, words) for name, words in (entry.get("each") or {}).items()]
        for column, value in entry["columns"].items():
            said += [(column, value.get(key)) for key in ("codes", "parts", "matches") if isinstance(value, dict)]
        for column, words in said:
            pairs = words if isinstance(words, dict) else {word: word for word in words or ()}
            for word, code in pairs.items():
                for one in str(word).replace("\\b", "").replace("\\", "").split("|"):
                    found.setdefault((table, column), {}).setdefault(fold(one.strip("^$")), set()).add(str(code))
    return found


def _own(table: str, column: str) -> dict[str, str]:
    """The words that need no translation."""
    declared = [one for one in CONTRACT.tables[table].fields if one.name == column]
    listed = declared[0].depends.allowed.values() if declared and declared[0].depends else ()
    own = {fold(str(one)): str(one) for values in listed for one in values}
    return {**own, **own_words(declared[0])} if declared else {}

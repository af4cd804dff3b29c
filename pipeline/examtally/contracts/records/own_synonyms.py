"""A group's own synonyms: words of its exports that stand beside the declared ones, for `map draft` alone.

The file is written by `map learn` and may be mended by hand. Places are `table.column`; the side stands once, as
`exams.side`, and identifiers where their table declares them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from examtally.contracts.contract import Contract
from examtally.contracts.mapping.mapping import fold
from examtally.contracts.records.tables import Table
from examtally.contracts.yamlfile import Node, load_yaml

BODY = ("weight", "height")
"""Places of the columns that a body mass index is worked out from."""
_PLACE = r"[a-z]+\.[a-z_]+"


@dataclass(frozen=True)
class OwnSynonyms:
    """Words as the exports write them.

    `columns` maps the name of a column, the side taken out of it, to its place; `codes` maps the place of a column to
    its words and their codes; `ignored` are names of columns that are not read.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    codes: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    ignored: tuple[str, ...] = ()

    @property
    def count(self) -> int:
        """How many words it holds."""
        return len(self.columns) + len(self.ignored) + sum(map(len, self.codes.values()))

    def codes_of(self, place: str, legal: Iterable[str] | None) -> dict[str, str]:
        """Return the folded words of a place and their codes, those that are `legal`; any where that is None."""
        known = None if legal is None else set(legal)
        words = self.codes.get(place, {})
        return {fold(word): code for word, code in words.items() if known is None or code in known}

    def with_those_of(self, other: OwnSynonyms) -> OwnSynonyms:
        """Return these words and those of `other`, which go before."""
        names = (self._names() | other._names()).values()
        codes = {
            place: dict((_by_fold(self.codes.get(place, {})) | _by_fold(other.codes.get(place, {}))).values())
            for place in {**self.codes, **other.codes}
        }
        read = {name: place for name, place in names if place}
        return OwnSynonyms(read, codes, tuple(name for name, place in names if not place))

    def _names(self) -> dict[str, tuple[str, str]]:
        """The names of columns, a blank for the place of those that are not read."""
        return _by_fold({**self.columns, **dict.fromkeys(self.ignored, "")})


def _by_fold(words: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    return {fold(word): (word, meaning) for word, meaning in words.items()}


def place_of(table: Table, column: str) -> str:
    """Return the place of a column: an identifier of another table stands where that table declares it.

    For example `findings.exam_id` is `exams.exam_id`.
    """
    if column == "side":
        return "exams.side"
    for key in table.foreign_keys:
        if column in key.columns:
            return f"{key.table}.{key.target_columns[key.columns.index(column)]}"
    return f"{table.name}.{column}"


def load_own_synonyms(path: Path, contract: Contract) -> OwnSynonyms:
    """Read a group's own synonyms; raises ContractError where the file is wrong.

    A code is held to those of every joint that `contract` knows; `codes_of` takes those of one.
    """
    top = load_yaml(path).record(required=("title",), optional=("columns", "codes", "ignored"))
    columns: dict[str, str] = {}
    for place, node in _table(top, "columns", rf"{_PLACE}|{'|'.join(BODY)}"):
        if place not in BODY:
            _field(contract, place, node)
        columns |= dict.fromkeys(node.texts(), place)
    codes: dict[str, dict[str, str]] = {}
    for place, node in _table(top, "codes", _PLACE):
        legal = _field(contract, place, node)
        words = codes.setdefault(place, {})
        for code, written in node.table("a code", r"[a-z0-9_.]+").items():
            if legal is not None and code not in legal:
                table = place.partition(".")[0]
                raise written.fail(f"'{code}' is no code of {place}", f"see `examtally dictionary --table {table}`")
            words |= dict.fromkeys(written.texts(), code)
    ignored = top["ignored"].texts() if "ignored" in top else ()
    return OwnSynonyms(columns, codes, ignored)


def _table(top: dict[str, Node], name: str, pattern: str) -> Iterable[tuple[str, Node]]:
    return top[name].table("a column", pattern).items() if name in top else ()


def _field(contract: Contract, place: str, node: Node) -> tuple[str, ...] | None:
    """The legal codes of a place in every joint, None where it is open."""
    table, _, column = place.partition(".")
    tables = [one.tables[table] for one in (contract, *contract.joints.values()) if table in one.tables]
    fields = [one.field(column) for one in tables if column in one.names]
    if not fields:
        raise node.fail(f"'{place}' is no column of the record tables", "see `examtally dictionary`")
    return None if fields[0].enum is None else tuple(code for one in fields for code in one.enum or ())

"""Cells that a mapping reads by patterns: of each only the words that the patterns name go on.

A pattern of plain words can let nothing else pass; one with a wildcard could, and is refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from examtally.contracts.contract import Contract
from examtally.contracts.mapping.mapping import FromColumn, fold
from examtally.contracts.records.tables import Table
from examtally.deidentification.undeclared import REMOVED
from examtally.ingestion.mapping.plan import Plan, SourcePlan

_PLAIN = re.compile(r"(?:\\[bB.()/+*?-]|[^\\.*+?{}\[\]])*")
Patterns = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Patterned:
    """A column that is read by patterns: each entry is a list of them; `by` parts its cells, None where it is whole.

    A piece of which one of the `needed` entries, by their place, makes a blank is passed over, as ingestion does; one
    in which nothing of an `optional` entry is found may go on.
    """

    by: str | None
    entries: tuple[Patterns, ...]
    needed: frozenset[int] = frozenset()
    optional: frozenset[int] = frozenset()

    @property
    def is_plain(self) -> bool:
        """Whether every pattern is one of words alone."""
        return all(_PLAIN.fullmatch(pattern) for entry in self.entries for pattern, _ in entry)

    def reduced(self, cell: str) -> str:
        """Return what may go on of a cell; a piece of which a pattern is missing becomes the mark of what is removed.

        >>> entries = ((("^acl", "acl_tear"), ("^fat pad", "")), (("torn", "present"),))
        >>> Patterned(";", entries, frozenset({0})).reduced("ACL: torn, said Jo; fat pad large; Jo Roe")
        'acl torn; (removed)'
        """
        pieces = [cell] if self.by is None else cell.split(self.by)
        kept = [text for piece in pieces if piece.strip() for text in self._said(fold(piece))]
        return f"{self.by or ''} ".join(kept) if kept else REMOVED

    def _said(self, piece: str) -> Iterator[str]:
        hits = [_first(entry, piece) for entry in self.entries]
        if any(at in self.needed and hit is not None and not hit[1] for at, hit in enumerate(hits)):
            return
        words = " ".join(dict.fromkeys(hit[0] for hit in hits if hit is not None and hit[0]))
        is_same = all(_code(_first(entry, words)) == _code(hit) for entry, hit in zip(self.entries, hits, strict=True))
        is_whole = all(hit is not None or at in self.optional for at, hit in enumerate(hits))
        yield words if is_same and is_whole else REMOVED


def patterned(plan: SourcePlan, contract: Contract) -> dict[int, Patterned]:
    """Return the columns that an export's readings read by patterns, by place."""
    found: dict[int, Patterned] = {}
    for one in plan.plans:
        by = one.rows.split[1] if one.rows.split else None
        for place, value, is_needed in _read(one, contract.tables[one.rows.table]):
            before = found.get(place, Patterned(by, ()))
            at = frozenset({len(before.entries)})
            needed = before.needed | at if is_needed else before.needed
            optional = before.optional | at if value.where_listed else before.optional
            found[place] = Patterned(by, (*before.entries, value.matches), needed, optional)
    return found


def _read(one: Plan, table: Table) -> Iterator[tuple[int, FromColumn, bool]]:
    for name, value in one.rows.columns.items():
        if isinstance(value, FromColumn) and value.matches:
            for place in sorted({binding.places[value.column] for binding in one.bindings}):
                yield place, value, table.field(name).required


def _first(entry: Patterns, text: str) -> tuple[str, str] | None:
    """The words that the first pattern which matches finds, and its code."""
    hits = ((re.search(pattern, text, re.IGNORECASE), code) for pattern, code in entry)
    return next(((hit[0], code) for hit, code in hits if hit is not None), None)


def _code(hit: tuple[str, str] | None) -> str | None:
    return None if hit is None else hit[1]

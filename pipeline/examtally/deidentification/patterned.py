"""Cells that a mapping reads by patterns: of each only the words that the patterns name go on.

A pattern of plain words can let nothing else pass; one with a wildcard could, and is refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from examtally.contracts.mapping.mapping import FromColumn, fold
from examtally.deidentification.undeclared import REMOVED
from examtally.ingestion.mapping.plan import Plan, SourcePlan

_PLAIN = re.compile(r"(?:\\[bB.()/+*?-]|[^\\.*+?{}\[\]])*")
Patterns = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Patterned:
    """A column that is read by patterns: each entry is a list of them; `by` parts its cells, None where it is whole."""

    by: str | None
    entries: tuple[Patterns, ...]

    @property
    def is_plain(self) -> bool:
        """Whether every pattern is one of words alone."""
        return all(_PLAIN.fullmatch(pattern) for entry in self.entries for pattern, _ in entry)

    def reduced(self, cell: str) -> str:
        """Return what may go on of a cell; a piece of which a pattern is missing becomes the mark of what is removed.

        >>> entries = ((("^acl", "acl_tear"), ("^fat pad", "")), (("torn", "present"),))
        >>> Patterned(";", entries).reduced("ACL: torn, said Jo; fat pad large; Jo Roe")
        'acl torn; (removed)'
        """
        pieces = [cell] if self.by is None else cell.split(self.by)
        kept = [text for piece in pieces if piece.strip() for text in self._said(fold(piece))]
        return f"{self.by or ''} ".join(kept) if kept else REMOVED

    def _said(self, piece: str) -> Iterator[str]:
        hits = [_first(entry, piece) for entry in self.entries]
        if any(hit is not None and not hit[1] for hit in hits):
            return  # a piece that is passed over
        words = " ".join(dict.fromkeys(hit[0] for hit in hits if hit is not None and hit[0]))
        is_same = all(_code(_first(entry, words)) == _code(hit) for entry, hit in zip(self.entries, hits, strict=True))
        yield words if is_same and None not in hits else REMOVED


def patterned(plan: SourcePlan) -> dict[int, Patterned]:
    """Return the columns that an export's readings read by patterns, by place."""
    found: dict[int, Patterned] = {}
    for one in plan.plans:
        for place, entries in _read(one).items():
            by = one.rows.split[1] if one.rows.split else None
            before = found[place].entries if place in found else ()
            found[place] = Patterned(by, (*before, *entries))
    return found


def _read(one: Plan) -> dict[int, list[Patterns]]:
    found: dict[int, list[Patterns]] = {}
    for value in one.rows.columns.values():
        if isinstance(value, FromColumn) and value.matches:
            for place in {binding.places[value.column] for binding in one.bindings}:
                found.setdefault(place, []).append(value.matches)
    return found


def _first(entry: Patterns, text: str) -> tuple[str, str] | None:
    """The words that the first pattern which matches finds, and its code."""
    hits = ((re.search(pattern, text, re.IGNORECASE), code) for pattern, code in entry)
    return next(((hit[0], code) for hit, code in hits if hit is not None), None)


def _code(hit: tuple[str, str] | None) -> str | None:
    return None if hit is None else hit[1]

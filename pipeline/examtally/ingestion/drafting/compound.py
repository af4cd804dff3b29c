"""Cells that hold a whole report in pieces, such as "ACL: complete tear; MM normal": found, and read by patterns."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

from examtally.contracts.mapping.mapping import fold
from examtally.ingestion.drafting.profiling import Column
from examtally.ingestion.drafting.tokens import words_of
from examtally.ingestion.drafting.value_match import share_of
from examtally.ingestion.drafting.vocabulary import SAID_WHOLE, Lexicon

_SIGNS = (";", "\n", "|", " / ", ",")
_LEAST = 0.6
_LONGEST_HEAD = 5


@dataclass(frozen=True)
class Piece:
    """A piece of a cell: the words at its head that name a condition, its code (None where none does), and the rest."""

    head: str
    condition: str | None
    rest: str
    lines: int


@dataclass(frozen=True)
class Compound:
    """A column whose cells are parted by a sign into pieces that speak of a condition each."""

    column: Column
    by: str
    pieces: tuple[Piece, ...]
    lexicon: Lexicon

    @cached_property
    def conditions(self) -> dict[str, str | None]:
        """Patterns of the heads, and the condition of each."""
        found = {one.head: one.condition for one in self.pieces if one.condition is not None}
        return {f"^{_escaped(head)}\\b": code for head, code in _longest_first(found)}

    @cached_property
    def unknown(self) -> dict[str, int]:
        """Heads of pieces that name no condition, with their lines."""
        return _counted(one for one in self.pieces if one.condition is None)

    def said(self, place: str) -> tuple[dict[str, str | None], dict[str, int]]:
        """Patterns of what pieces say of a column of references, the longest first; and what is not known."""
        words = self.lexicon.words(place)
        found: dict[str, str | None] = {}
        unknown: dict[str, int] = {}
        for one in self.pieces:
            known = _longest(one.rest, words)
            if known:
                found[known] = words[known]
            elif one.condition is not None:
                unknown[one.rest] = unknown.get(one.rest, 0) + one.lines
        return {_whole(word): code for word, code in _longest_first(found)}, unknown


def find_compound(columns: Sequence[Column], lexicon: Lexicon) -> Compound | None:
    """Return the column of which most cells are pieces that name a condition each; None where there is none."""
    for column in columns:
        for sign in _SIGNS:
            if share_of(column, partial(_contains, sign)) >= _LEAST:
                pieces = tuple(_pieces(column, sign, lexicon))
                named = sum(one.lines for one in pieces if one.condition is not None)
                is_said = named >= _LEAST * sum(one.lines for one in pieces)
                if is_said and len({one.condition for one in pieces}) > 1:
                    return Compound(column, sign, pieces, lexicon)
    return None


def _contains(sign: str, value: str) -> bool:
    return sign in value


def _pieces(column: Column, sign: str, lexicon: Lexicon) -> Iterator[Piece]:
    for value, lines in column.values:
        for text in map(fold, value.split(sign)):
            if text:
                yield _piece(text, lines, lexicon)


def _piece(text: str, lines: int, lexicon: Lexicon) -> Piece:
    words = [word for word in words_of(text) if word.text]
    for length in range(1, min(_LONGEST_HEAD, len(words)) + 1):
        end = words[length - 1].end
        match = lexicon.conditions.best(words[:length])
        if match is not None and match.score >= SAID_WHOLE:
            return Piece(text[words[0].start : end], match.target, text[end:].strip(" :=-–"), lines)
    head = re.split(r"[:=]", text, maxsplit=1)[0].strip()
    return Piece(head, None, "", lines)


def _longest(text: str, words: Mapping[str, str]) -> str:
    """The longest known words that stand whole in a text; blank where none does."""
    tokens = text.split()
    spans = (
        " ".join(tokens[first : first + length])
        for length in range(len(tokens), 0, -1)
        for first in range(len(tokens) - length + 1)
    )
    found = (fold(span).strip(",.") for span in spans)
    return next((span for span in found if span in words and not span.isdigit()), "")


def _longest_first(words: Mapping[str, str | None]) -> list[tuple[str, str | None]]:
    """Words and their codes, those that may hold others first."""
    return sorted(words.items(), key=lambda pair: (-len(pair[0]), pair[0]))


def _whole(word: str) -> str:
    """The pattern of a word that stands by itself."""
    begin = r"\b" if word[:1].isalnum() else ""
    end = r"\b" if word[-1:].isalnum() else ""
    return f"{begin}{_escaped(word)}{end}"


def _escaped(word: str) -> str:
    return re.escape(word).replace("\\ ", " ").replace("\\-", "-")


def _counted(pieces: Iterator[Piece]) -> dict[str, int]:
    found: dict[str, int] = {}
    for one in pieces:
        found[one.head] = found.get(one.head, 0) + one.lines
    return found

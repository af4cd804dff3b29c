"""What quotation marks, blank lines and odd line ends make of a piece of a CSV file: where its records begin."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from examtally.ingestion.reading.limits import TextError, unclosed

_LF, _CR, _QUOTE = 10, 13, 34
_Positions = npt.NDArray[np.int64]


@dataclass(frozen=True)
class MarkedLines:
    """So many `lines`; `begins` are those, from 0, on which a record begins, and `ends` the kinds of line ends.

    `inside` tells whether it ends within quotation marks, `opened` the line of the file where the last were opened.
    """

    lines: int
    begins: _Positions
    ends: tuple[bytes, ...]
    inside: bool
    opened: int

    @property
    def records(self) -> int:
        """The records that begin in the piece."""
        return int(self.begins.size)

    def shifts(self, line: int, record: int) -> Iterator[tuple[int, int]]:
        """Pairs of record and line minus record wherever that changes; `line` and `record` are the piece's first."""
        records = np.arange(self.begins.size)
        shifts = self.begins - records
        changed = np.flatnonzero(np.diff(shifts, prepend=-1))
        for at, shift in zip(changed.tolist(), shifts[changed].tolist(), strict=True):
            yield record + at, shift + line - record


def read_marked(chunk: bytes, delimiter: str, *, line: int, inside: bool, opened: int) -> MarkedLines:
    """Read a piece that ends with a line, the file's end apart; `line` is its first, for messages.

    `inside` and `opened` are those of the piece before. Raises TextError for a mark that neither opens nor closes a
    cell, and for a carriage return alone.
    """
    marks = _Marks(np.frombuffer(chunk, dtype=np.uint8), line, inside)
    opened = marks.last_opened(ord(delimiter), opened)
    kinds = marks.kinds_of_ends()
    ends = marks.ends if marks.text[-1] == _LF else np.append(marks.ends, marks.text.size)
    within = marks.parity(ends)
    begins_inside = np.concatenate(([inside], within[:-1]))
    starts = np.concatenate(([0], ends[:-1] + 1))
    is_return = marks.text[starts.clip(max=marks.text.size - 1)] == _CR
    is_empty = (ends == starts) | ((ends == starts + 1) & is_return)
    begins = np.flatnonzero(~begins_inside & ~(is_empty & ~within))
    return MarkedLines(int(ends.size), begins, kinds, bool(inside ^ (marks.quotes.size % 2)), opened)


class _Marks:
    """Line ends and quotation marks of a piece of text, by their places in it."""

    def __init__(self, text: npt.NDArray[np.uint8], line: int, inside: bool) -> None:
        self.text, self._line, self._inside = text, line, inside
        self.ends = np.flatnonzero(text == _LF)
        self.quotes = np.flatnonzero(text == _QUOTE)

    def parity(self, places: _Positions) -> npt.NDArray[np.bool_]:
        """Whether each of `places` lies inside quotation marks."""
        within: npt.NDArray[np.bool_] = (np.searchsorted(self.quotes, places) + self._inside) % 2 == 1
        return within

    def last_opened(self, delimiter: int, opened: int) -> int:
        """The line of the last mark that opens a cell; a mark opens at its beginning, closes at its end, or is doubled.

        Raises TextError for any other mark.
        """
        text, quotes = self.text, self.quotes
        opens = (np.arange(quotes.size) + self._inside) % 2 == 0
        opening, closing = quotes[opens], quotes[~opens]
        before = text[np.maximum(opening - 1, 0)]
        bad_opening = opening[(opening > 0) & ~np.isin(before, (delimiter, _LF, _QUOTE))]
        after = text[np.minimum(closing + 1, text.size - 1)]
        bad_closing = closing[(closing < text.size - 1) & ~np.isin(after, (delimiter, _LF, _CR, _QUOTE))]
        first_closing = bad_closing[:1].tolist() or [text.size]
        first_opening = bad_opening[:1].tolist() or [text.size]
        if first_opening[0] < first_closing[0]:
            raise TextError(
                f"has a quotation mark inside a cell (line {self._line_of(first_opening[0])}); "
                "double it and put the cell in quotation marks"
            )
        if opening.size and opening[0] < first_closing[0]:
            opened = self._line_of(int(opening[np.searchsorted(opening, first_closing[0]) - 1]))
        if bad_closing.size:
            raise unclosed(opened)
        return opened

    def kinds_of_ends(self) -> tuple[bytes, ...]:
        """The kinds of line ends outside quotation marks; raises TextError for a carriage return alone."""
        text = self.text
        outside = self.ends[~self.parity(self.ends)]
        with_return = text[np.maximum(outside - 1, 0)] == _CR
        returns = np.flatnonzero(text == _CR)
        lone = returns[text[np.minimum(returns + 1, text.size - 1)] != _LF]
        lone = lone[~self.parity(lone)]
        if lone.size:
            line = self._line_of(int(lone[0]))
            raise TextError(f"has a carriage return alone (line {line}); save it again as CSV UTF-8")
        kinds = {b"\r\n": with_return.any(), b"\n": not with_return.all()}
        return tuple(kind for kind, is_there in kinds.items() if is_there)

    def _line_of(self, place: int) -> int:
        return self._line + int(np.searchsorted(self.ends, place))

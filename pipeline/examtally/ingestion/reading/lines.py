"""Reading a CSV file as text, once, before anything parses it: its fingerprint, its lines and what is wrong with it.

A record may begin below the line its number suggests, after blank lines or breaks inside quotation marks. `shifts`
keeps where the difference changes, so that a record is found by the line an editor shows.
"""

from __future__ import annotations

import csv
import gzip
import hashlib
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, cast

import numpy as np
import numpy.typing as npt

from examtally.ingestion.reading.limits import LONGEST_LINE, MOST_BYTES, TextError, check_columns, check_size

_CHUNK = 1 << 22
_BOM = b"\xef\xbb\xbf"
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_LF, _CR, _QUOTE = 10, 13, 34
Positions = npt.NDArray[np.int64]


UNPACKING = (gzip.BadGzipFile, EOFError, zlib.error)  # what a damaged gzip file makes its reader raise


@dataclass(frozen=True)
class Lines:
    """A text file: its header, `records` below it, and `shifts`, rows of (record from 0, line minus record)."""

    header: tuple[str, ...]
    records: int
    shifts: Positions

    @classmethod
    def of_rows(cls, header: tuple[str, ...], records: int) -> Lines:
        """The lines of a table without text: its rows, counted from 1."""
        return cls(header, records, np.array([[0, 1]], dtype=np.int64))


def fingerprint(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def read_lines(path: Path, *, compressed: bool, delimiter: str = ",", above: int = 0) -> Lines:
    """Read the CSV file at `path`; raises TextError where it is not one.

    `above` lines of the original, taken off before, count in what the error says of a line; `shifts` leave them out.
    """
    counter = _Counter(delimiter, above)
    header: tuple[str, ...] | None = None
    try:
        with open_bytes(path, compressed=compressed) as stream:
            for chunk in _chunks(stream, above):
                if header is None:
                    header = _header(chunk, delimiter)
                counter.feed(chunk)
    except UNPACKING:
        raise TextError("is not a whole gzip file; compress or copy it again") from None
    if header is None:
        raise TextError("is empty; export the table again")
    return counter.finish(header)


def line_at(path: Path, offset: int, *, compressed: bool) -> int:
    """Return the line, from 1, of the first line at or after the byte at `offset` that is not blank."""
    line = 1
    with open_bytes(path, compressed=compressed) as stream:
        while chunk := stream.read(min(_CHUNK, offset)):
            line += chunk.count(b"\n")
            offset -= len(chunk)
        ahead = stream.read(_CHUNK)
    return line + ahead[: len(ahead) - len(ahead.lstrip(b"\r\n"))].count(b"\n")


def open_bytes(path: Path, *, compressed: bool) -> BinaryIO:
    """Open a file for reading its bytes, unpacked where it is gzipped."""
    return cast(BinaryIO, gzip.open(path, "rb")) if compressed else path.open("rb")


def _chunks(stream: BinaryIO, above: int) -> Iterator[bytes]:
    """Yield the text in pieces that end with a line, without a byte order mark; raises TextError where it is none."""
    line, size, is_first = above, 0, True
    while chunk := stream.read(_CHUNK):
        if not chunk.endswith(b"\n"):
            rest = stream.readline(LONGEST_LINE)
            chunk += rest
            if len(rest) == LONGEST_LINE:
                long = line + 1 + chunk.count(b"\n")
                raise TextError(f"has a line of more than {LONGEST_LINE >> 20} MB (line {long})")
        size += len(chunk)
        check_size(size, MOST_BYTES)
        if is_first:
            _check_beginning(chunk)
            chunk, is_first = chunk.removeprefix(_BOM), False
        _check_text(chunk, line)
        line += chunk.count(b"\n")
        yield chunk


def _check_beginning(chunk: bytes) -> None:
    if chunk.startswith(_UTF16):
        raise TextError("is UTF-16 text; save it as CSV UTF-8")


def _check_text(chunk: bytes, line: int) -> None:
    if b"\0" in chunk:
        bad = line + 1 + chunk.count(b"\n", 0, chunk.index(0))
        raise TextError(f"is not a text file (line {bad}); save it as CSV UTF-8")
    if not chunk.isascii():
        try:
            chunk.decode()
        except UnicodeDecodeError as error:
            bad = line + 1 + chunk.count(b"\n", 0, error.start)
            raise TextError(f"is not UTF-8 (line {bad}); save it as CSV UTF-8") from None


def _header(chunk: bytes, delimiter: str) -> tuple[str, ...]:
    first = chunk.split(b"\n", 1)[0].split(b"\r", 1)[0]
    if not first.strip():
        raise TextError("begins with a blank line; its first line must name the columns")
    try:
        names = tuple(next(csv.reader([first.decode()], delimiter=delimiter)))
    except csv.Error:
        raise TextError("has a first line that does not name the columns") from None
    check_columns(names)
    return names


class _Counter:
    """Counts lines and records over the chunks of a file."""

    def __init__(self, delimiter: str, above: int) -> None:
        self._delimiter = ord(delimiter)
        self._above = above
        self._lines = 0
        self._records = 0
        self._inside = False  # the chunk begins inside quotation marks
        self._opened = 0  # the line on which they were opened
        self._shift = 1
        self._shifts: list[Positions] = []
        self._ends: set[bytes] = set()

    def feed(self, chunk: bytes) -> None:
        """Count a chunk; the plain case, with no quotation mark and no blank line, costs a few searches."""
        if self._is_plain(chunk):
            count = chunk.count(b"\n") + (not chunk.endswith(b"\n"))
            self._note_shifts(np.arange(self._lines + 1, self._lines + 2))
            self._lines += count
            self._records += count
        else:
            self._feed_marked(np.frombuffer(chunk, dtype=np.uint8))

    def finish(self, header: tuple[str, ...]) -> Lines:
        """Return what was counted; raises TextError where a quotation mark is left open."""
        if self._inside:
            raise _unclosed(self._opened)
        changes = [np.array([[0, 2]], dtype=np.int64), *self._shifts]
        shifts = np.concatenate(changes)
        shifts[1:, 0] -= 1  # the header is record 0 of the text, the line below it record 0 of the table
        shifts[1:, 1] += 1
        is_last = np.append(np.diff(shifts[:, 0]) > 0, True)
        return Lines(header, self._records - 1, shifts[is_last])

    def _is_plain(self, chunk: bytes) -> bool:
        if self._inside or b'"' in chunk or b"\n\n" in chunk or chunk.startswith((b"\n", b"\r")):
            return False
        returns = chunk.count(b"\r") if b"\r" in chunk else 0
        if returns == 0:
            if b"\n" in chunk:
                self._note_ends(b"\n")
            return True
        if b"\n\r" in chunk or chunk.count(b"\r\n") != returns or chunk.count(b"\n") != returns:
            return False
        self._note_ends(b"\r\n")
        return True

    def _note_ends(self, kind: bytes) -> None:
        self._ends.add(kind)
        if len(self._ends) > 1:
            raise TextError("has two kinds of line ends; save it again as CSV UTF-8")

    def _feed_marked(self, text: npt.NDArray[np.uint8]) -> None:
        ends = np.flatnonzero(text == _LF)
        quotes = np.flatnonzero(text == _QUOTE)
        self._check_quotes(text, ends, quotes)
        self._check_ends(text, ends, quotes)
        if text[-1] != _LF:
            ends = np.append(ends, text.size)
        inside = self._parity(quotes, ends)
        begins_inside = np.concatenate(([self._inside], inside[:-1]))
        starts = np.concatenate(([0], ends[:-1] + 1))
        is_empty = (ends == starts) | ((ends == starts + 1) & (text[starts.clip(max=text.size - 1)] == _CR))
        begins = ~begins_inside & ~(is_empty & ~inside)
        self._note_shifts(np.flatnonzero(begins) + self._lines + 1)
        self._records += int(np.count_nonzero(begins))
        self._lines += ends.size
        self._inside = bool(self._inside ^ (quotes.size % 2))

    def _parity(self, quotes: Positions, positions: Positions) -> npt.NDArray[np.bool_]:
        """Whether each of `positions` lies inside quotation marks."""
        inside: npt.NDArray[np.bool_] = (np.searchsorted(quotes, positions) + self._inside) % 2 == 1
        return inside

    def _note_shifts(self, lines: Positions) -> None:
        """Keep where the line of a record stops following from its number; `lines` are those of the next records."""
        records = self._records + np.arange(lines.size)
        shifts = lines - records
        changed = np.flatnonzero(np.diff(shifts, prepend=self._shift))
        if changed.size:
            self._shifts.append(np.column_stack((records[changed], shifts[changed])))
            self._shift = int(shifts[-1])

    def _check_quotes(self, text: npt.NDArray[np.uint8], ends: Positions, quotes: Positions) -> None:
        """A quotation mark opens at the beginning of a cell, closes at its end, or is doubled."""
        opens = (np.arange(quotes.size) + self._inside) % 2 == 0
        opening, closing = quotes[opens], quotes[~opens]
        before = text[np.maximum(opening - 1, 0)]
        bad_opening = opening[(opening > 0) & ~np.isin(before, (self._delimiter, _LF, _QUOTE))]
        after = text[np.minimum(closing + 1, text.size - 1)]
        bad_closing = closing[(closing < text.size - 1) & ~np.isin(after, (self._delimiter, _LF, _CR, _QUOTE))]
        first_closing = bad_closing[:1].tolist() or [text.size]
        first_opening = bad_opening[:1].tolist() or [text.size]
        if first_opening[0] < first_closing[0]:
            line = self._above + self._lines + 1 + int(np.searchsorted(ends, first_opening[0]))
            raise TextError(
                f"has a quotation mark inside a cell (line {line}); double it and put the cell in quotation marks"
            )
        if opening.size:
            last = opening[np.searchsorted(opening, first_closing[0]) - 1] if opening[0] < first_closing[0] else None
            if last is not None:
                self._opened = self._above + self._lines + 1 + int(np.searchsorted(ends, last))
        if bad_closing.size:
            raise _unclosed(self._opened)

    def _check_ends(self, text: npt.NDArray[np.uint8], ends: Positions, quotes: Positions) -> None:
        outside = ends[~self._parity(quotes, ends)]
        with_return = text[np.maximum(outside - 1, 0)] == _CR
        returns = np.flatnonzero(text == _CR)
        lone = returns[text[np.minimum(returns + 1, text.size - 1)] != _LF]
        lone = lone[~self._parity(quotes, lone)]
        if lone.size:
            line = self._above + self._lines + 1 + int(np.searchsorted(ends, lone[0]))
            raise TextError(f"has a carriage return alone (line {line}); save it again as CSV UTF-8")
        if with_return.any():
            self._note_ends(b"\r\n")
        if not with_return.all():
            self._note_ends(b"\n")


def _unclosed(line: int) -> TextError:
    return TextError(f"has a quotation mark that is opened and not closed (line {line}); close it or double it")

"""Reading a CSV file as text, once, before anything parses it: its fingerprint, its lines and what is wrong with it.

A record may begin below the line its number suggests, after blank lines or breaks inside quotation marks. `shifts`
keeps where the difference changes, so that a record is found by the line an editor shows.
"""

from __future__ import annotations

import csv
import gzip
import hashlib
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import BinaryIO, cast

from examtally.ingestion.reading.limits import LONGEST_LINE, MOST_BYTES, TextError, check_columns, check_size, unclosed

_CHUNK = 1 << 22
_BOM = b"\xef\xbb\xbf"
_UTF16 = (b"\xff\xfe", b"\xfe\xff")

UNPACKING = (gzip.BadGzipFile, EOFError, zlib.error)  # what a damaged gzip file makes its reader raise


@dataclass(frozen=True)
class Lines:
    """A text file: its header, `records` below it, and `shifts`, pairs of (record from 0, line minus record)."""

    header: tuple[str, ...]
    records: int
    shifts: Sequence[tuple[int, int]]

    @classmethod
    def of_rows(cls, header: tuple[str, ...], records: int) -> Lines:
        """The lines of a table without text: its rows, counted from 1."""
        return cls(header, records, [(0, 1)])


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
            for chunk, breaks in _chunks(stream, above):
                if header is None:
                    header = _header(chunk, delimiter)
                counter.feed(chunk, breaks)
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


def _chunks(stream: BinaryIO, above: int) -> Iterator[tuple[bytes, int]]:
    """Yield the text in pieces that end with a line, without a byte order mark, each with its number of line feeds.

    Raises TextError where it is no text.
    """
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
        breaks = chunk.count(b"\n")
        line += breaks
        yield chunk, breaks


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
        self._delimiter = delimiter
        self._above = above
        self._lines = 0
        self._records = 0
        self._inside = False  # the chunk begins inside quotation marks
        self._opened = 0  # the line on which they were opened
        self._shifts = [(0, 1)]
        self._ends: set[bytes] = set()

    def feed(self, chunk: bytes, breaks: int) -> None:
        """Count a chunk; the plain case, with no quotation mark and no blank line, costs a few searches."""
        if self._is_plain(chunk, breaks):
            count = breaks + (not chunk.endswith(b"\n"))
            self._note_shifts([(self._records, self._lines + 1 - self._records)])
            self._lines += count
            self._records += count
        else:
            self._feed_marked(chunk)

    def finish(self, header: tuple[str, ...]) -> Lines:
        """Return what was counted; raises TextError where a quotation mark is left open."""
        if self._inside:
            raise unclosed(self._opened)
        # the header is record 0 of the text, the line below it record 0 of the table
        shifts = [(0, 2), *((record - 1, shift + 1) for record, shift in self._shifts[1:])]
        last = [one for one, after in pairwise(shifts) if one[0] < after[0]]
        return Lines(header, self._records - 1, [*last, shifts[-1]])

    def _is_plain(self, chunk: bytes, breaks: int) -> bool:
        if self._inside or b'"' in chunk or b"\n\n" in chunk or chunk.startswith((b"\n", b"\r")):
            return False
        returns = chunk.count(b"\r") if b"\r" in chunk else 0
        if returns == 0:
            if breaks:
                self._note_ends(b"\n")
            return True
        if b"\n\r" in chunk or chunk.count(b"\r\n") != returns or breaks != returns:
            return False
        self._note_ends(b"\r\n")
        return True

    def _note_ends(self, kind: bytes) -> None:
        self._ends.add(kind)
        if len(self._ends) > 1:
            raise TextError("has two kinds of line ends; save it again as CSV UTF-8")

    def _feed_marked(self, chunk: bytes) -> None:
        from examtally.ingestion.reading.marked_lines import read_marked  # brings numpy, which few files need

        piece = read_marked(
            chunk, self._delimiter, line=self._above + self._lines + 1, inside=self._inside, opened=self._opened
        )
        for kind in piece.ends:
            self._note_ends(kind)
        self._note_shifts(piece.shifts(self._lines + 1, self._records))
        self._records += piece.records
        self._lines += piece.lines
        self._inside, self._opened = piece.inside, piece.opened

    def _note_shifts(self, shifts: Iterable[tuple[int, int]]) -> None:
        """Keep where the line of a record stops following from its number."""
        for record, shift in shifts:
            if shift != self._shifts[-1][1]:
                self._shifts.append((record, shift))

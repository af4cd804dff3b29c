"""A text export written again as UTF-8: from the row that names its columns to the last line before its foot.

Lines that the mapping passes over may have any number of cells: they are written with as many as the header has, so
that the reader takes them, and are skipped by rule afterwards like any other.
"""

from __future__ import annotations

import codecs
import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from examtally.contracts.mapping.mapping import ExportSource, Skip, fold
from examtally.ingestion.mapping.exports import Export
from examtally.ingestion.reading.limits import LONGEST_LINE, MOST_BYTES, TextError, check_size
from examtally.ingestion.reading.lines import UNPACKING, open_bytes

_UTF8 = "utf-8"
_HIGHEST = 200  # rows in which the header is looked for by its name


def plain_copy(export: Export, folder: Path) -> tuple[Path, int]:
    """Return where the text of an export is, in UTF-8, and the line of the file that names its columns.

    It is the file itself where nothing has to change, else a copy in the private `folder`. Raises TextError.
    """
    source = export.source
    first_line = source.header_rows[1]
    if source.encoding == _UTF8 and first_line == 1 and not (source.header_at or source.ends_before or source.skip):
        return export.path, 1
    copy = folder / f"export-{export.file_no}.csv"
    try:
        with open_bytes(export.path, compressed=export.ending == ".csv.gz") as stream, copy.open("wb") as target:
            lines = _decoded(stream, source.encoding)
            header, first_line = _header(lines, source)
            target.write(header.encode())
            for line in _Trimmer(source, header).trimmed(lines):
                target.write(line.encode())
    except UnicodeDecodeError:
        raise TextError(f"is not {source.encoding} text; look at `encoding` of the source") from None
    except UNPACKING:
        raise TextError("is not a whole gzip file; compress or copy it again") from None
    return copy, first_line


def ends_here(cells: list[str | None] | list[str], words: tuple[str, ...]) -> bool:
    """Whether the first filled cell of a row begins with one of the folded words: the foot of the export."""
    first = next((fold(cell) for cell in cells if cell and cell.strip()), "")
    return bool(first) and first.startswith(words)


def _decoded(stream: BinaryIO, encoding: str) -> Iterator[str]:
    """The lines of the text, each with its end."""
    decoder = codecs.getincrementaldecoder(encoding)()
    size, is_first = 0, True
    while raw := stream.readline(LONGEST_LINE):
        size += len(raw)
        check_size(size, MOST_BYTES)
        line = decoder.decode(raw)
        yield line.removeprefix("\ufeff") if is_first else line
        is_first = False
    rest = decoder.decode(b"", final=True)
    if rest:
        yield rest


def _header(lines: Iterator[str], source: ExportSource) -> tuple[str, int]:
    """The row that names the columns and its line, from 1."""
    wanted = fold(source.header_at) if source.header_at else None
    for number, line in enumerate(lines, start=1):
        if wanted is None and number == source.header_rows[1]:
            return line, number
        if wanted is not None and wanted in map(fold, _cells(line, source.delimiter)):
            return line, number
        if number == _HIGHEST:
            break
    if wanted is None:
        raise TextError("ends above the row that names the columns; look at `header_rows`")
    raise TextError("has no row with the column that `header_at` of the source names")


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line.rstrip("\r\n")], delimiter=delimiter), [])
    except csv.Error:
        return []


@dataclass(frozen=True)
class _Trimmer:
    """Ends the text before its foot and evens the lines that are passed over."""

    source: ExportSource
    header: str

    def trimmed(self, lines: Iterator[str]) -> Iterator[str]:
        """Yield the lines below the header."""
        sign, ends = self.source.delimiter, tuple(map(fold, self.source.ends_before))
        names = [fold(name) for name in _cells(self.header, sign)]
        skips = [(names.index(fold(one.column)), one) for one in self.source.skip if fold(one.column) in names]
        is_inside = False
        for line in lines:
            begins_inside, is_inside = is_inside, is_inside ^ (line.count('"') % 2 == 1)
            if begins_inside or is_inside or not line.strip():
                yield line
            elif ends and ends_here(_cells(line, sign), ends):
                return
            elif skips and line.count(sign) + 1 != len(names):
                yield self._evened(line, len(names), skips)
            else:
                yield line

    def _evened(self, line: str, width: int, skips: list[tuple[int, Skip]]) -> str:
        """The line with as many cells as the header where the mapping passes over it, else as it is."""
        cells = _cells(line, self.source.delimiter)
        if len(cells) == width or not any(_is_skipped(cells, at, one) for at, one in skips):
            return line
        kept = [cell.replace('"', "") for cell in (cells + [""] * width)[:width]]
        kept = [f'"{cell}"' if self.source.delimiter in cell else cell for cell in kept]
        return self.source.delimiter.join(kept) + line[len(line.rstrip("\r\n")) :]


def _is_skipped(cells: list[str], at: int, skip: Skip) -> bool:
    text = cells[at].strip().lower() if at < len(cells) else ""
    if not text:
        return skip.blank
    return text in map(fold, skip.equals) or text.startswith(tuple(map(fold, skip.begins)) or ("\0",))

"""How much a file may hold once unpacked: a small file can be a large one in disguise.

With the memory limit of the workspace these bound the time and the room that one file can take.
"""

from __future__ import annotations

import zipfile
from collections.abc import Sequence
from pathlib import Path

import duckdb

from examtally.contracts.records.rules import literal
from examtally.errors import ExamtallyError

MOST_BYTES = 4 << 30
"""Bytes of text, or of the columns of a Parquet file."""
MOST_BOOK_BYTES = 1 << 29
"""Bytes of all parts of a workbook together."""
MOST_ROWS = 50_000_000
MOST_COLUMNS = 2_000
LONGEST_LINE = 1 << 21


class TextError(ExamtallyError):
    """What is wrong with a file as a whole, in words that follow the name of the file."""


def unclosed(line: int) -> TextError:
    """The error of a quotation mark that is opened on `line` and never closed."""
    return TextError(f"has a quotation mark that is opened and not closed (line {line}); close it or double it")


def check_size(size: int, most: int) -> None:
    """Raise TextError where a file has more bytes, unpacked, than a file may have."""
    if size > most:
        raise TextError(f"holds more than {most >> 20:,} MB once unpacked; send it in parts, or look at what made it")


def check_columns(names: Sequence[object]) -> None:
    """Raise TextError where a file has more columns than a file may have."""
    if len(names) > MOST_COLUMNS:
        raise TextError(f"has more than {MOST_COLUMNS:,} columns; leave out those that nothing reads")


def check_parquet(con: duckdb.DuckDBPyConnection, file: Path) -> None:
    """Raise TextError where the columns of a Parquet file unpack to more than a file may hold; by its own account."""
    path = literal(str(file.absolute()))
    ((size,),) = con.execute(f"select sum(total_uncompressed_size) from parquet_metadata({path})").fetchall()
    ((rows,),) = con.execute(f"select num_rows from parquet_file_metadata({path})").fetchall()
    check_size(int(size or 0), MOST_BYTES)
    if rows > MOST_ROWS:
        raise TextError(f"has more than {MOST_ROWS:,} rows; send it in parts")


def check_workbook(path: Path) -> None:
    """Raise TextError where the parts of a workbook unpack to more than a workbook may hold; by its own account.

    The reader reads no more of a part than it claims to hold.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            check_size(sum(part.file_size for part in archive.infolist()), MOST_BOOK_BYTES)
    except (zipfile.BadZipFile, OSError):
        raise TextError("is not a whole workbook; save it again as .xlsx") from None

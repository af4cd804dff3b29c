"""A first look at an export nobody has described yet: how it is coded and parted, its columns and what they hold."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb

from examtally.contracts.mapping.mapping import ExportSource, Skip, fold
from examtally.contracts.records.synonyms import synonyms
from examtally.errors import FileFault
from examtally.ingestion.drafting.fhir_sources import fhir_sources
from examtally.ingestion.mapping.export_text import Opened, load, open_export
from examtally.ingestion.mapping.exports import ENDINGS, FHIR_ENDINGS, Export, matches
from examtally.ingestion.reading.limits import TextError
from examtally.ingestion.reading.lines import UNPACKING, open_bytes
from examtally.ingestion.reading.sheet import first_rows, sheet_names
from examtally.ingestion.reading.sources import ending_of

_WORD = re.compile(r"[^\W\d_]+|\d+")
_STARS = re.compile(r"\*(?:[^\w*]|_)*(?=\*)")


def pattern_of(name: str) -> str:
    """Return the name of a file with `*` for every word that is not known to name nobody, and for every number.

    >>> pattern_of("knee_visits 2024-03.csv"), pattern_of("Roe, Jo.xlsx"), pattern_of("Clinic.export.csv.gz")
    ('knee_visits *.csv', '*.xlsx', 'Clinic.export.csv.gz')
    """
    ending = ending_of(Path(name), ENDINGS) or ""
    stem = name[: len(name) - len(ending)]
    return _STARS.sub("", _WORD.sub(_kept, stem)) + ending.lower()


def file_patterns(paths: Sequence[Path]) -> list[tuple[str, bool]]:
    """Return for each file the pattern that finds it and no other of them, and whether its own name does.

    Where the known words of a name do not tell a file from the others, it is a neutral name that it must be given.
    """
    patterns = [pattern_of(path.name) for path in paths]
    found = []
    for number, (path, pattern) in enumerate(zip(paths, patterns, strict=True), start=1):
        is_alone = sum(matches(other.name, pattern) for other in paths) == 1
        neutral = f"export_{number}*{ending_of(path, ENDINGS) or ''}"
        found.append((pattern, True) if is_alone else (neutral, False))
    return found


def is_harmless(name: str) -> bool:
    """Return whether every word in the name of a sheet is known to name nobody."""
    return all(_kept(word) != "*" or word[0].isdigit() for word in _WORD.finditer(name))


def _kept(word: re.Match[str]) -> str:
    return word[0] if word[0].lower() in synonyms().file_words else "*"


_LOOK = 1 << 20
_DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_MOST_VALUES = 400
_HIGHEST_HEADER = 6
_FOOT = 1 << 13


@dataclass(frozen=True)
class Column:
    """One column: `values` are its most frequent texts with their counts, `filled` the lines where it is not blank.

    `below` is where the name of the lowest header row begins, `letters` how a sheet calls the column,
    `distinct_by_side` how many values there are, each counted once a side where another column tells it.
    """

    name: str
    place: int
    below: int
    filled: int
    distinct: int
    values: tuple[tuple[str, int], ...]
    letters: str = ""
    distinct_by_side: int = 0


@dataclass(frozen=True)
class Look:
    """One file or sheet; `source` is how it is read, `lines` its lines.

    `is_named` says whether the file is found by its own name: where not, it must be given the name that `files` says.
    """

    source: ExportSource
    path: Path
    lines: int
    columns: tuple[Column, ...]
    is_named: bool = True


def look_at(
    con: duckdb.DuckDBPyConnection, paths: Sequence[Path], folder: Path, progress: Callable[[str], None]
) -> list[Look]:
    """Look at every file, and at every sheet of a workbook; raises FileFault where one cannot be read."""
    con.execute("create temp table line_shift (part varchar, file_no integer, first bigint, shift bigint)")
    exports = []
    patterns = file_patterns(paths)
    for number, path in enumerate(paths, start=1):
        ending = ending_of(path, ENDINGS) if path.is_file() else None
        if ending is None:
            raise FileFault(
                f"file {number} of {len(paths)}: is no file that can be read; name one of {', '.join(ENDINGS)}"
            )
        try:
            pattern = patterns[number - 1][0]
            is_fhir = ending in FHIR_ENDINGS
            found = (
                fhir_sources(con, path, ending, number, pattern) if is_fhir else _sources(path, ending, number, pattern)
            )
            exports += [(path, ending, source) for source in found]
        except TextError as fault:
            raise FileFault(f"file {number} of {len(paths)} {fault}") from None
    looks = []
    for number, (path, ending, source) in enumerate(exports, start=1):
        export = Export(path, source, ending, number, len(exports))
        progress(f"looking at {export.where}")
        is_named = next(named for one, (_, named) in zip(paths, patterns, strict=True) if one == path)
        looks.append(replace(_look(con, open_export(con, export, folder)), is_named=is_named))
    return looks


def _look(con: duckdb.DuckDBPyConnection, opened: Opened) -> Look:
    names = opened.lines.header
    load(con, opened, range(1, len(names) + 1))
    tops = opened.sheet.tops if opened.sheet is not None else tuple("" for _ in names)
    columns = tuple(
        _column(con, opened, name, place, len(top) + 1 if top else 0)
        for place, (name, top) in enumerate(zip(names, tops, strict=True), start=1)
        if name.strip()
    )
    columns = _by_side(con, opened, columns)
    source = opened.export.source
    skip = _summary(con, opened)
    is_comma = _uses_comma(columns) and source.delimiter != ","
    source = replace(source, skip=skip, decimal_comma=is_comma)
    return Look(source, opened.export.path, opened.lines.records, columns)


def _column(con: duckdb.DuckDBPyConnection, opened: Opened, name: str, place: int, below: int) -> Column:
    ((filled, distinct),) = con.execute(
        f"select count(c{place}), count(distinct c{place}) from {opened.table}"
    ).fetchall()
    values = con.execute(
        f"select c{place} as value, count(*) as lines from {opened.table} where value is not null "
        f"group by value order by lines desc, value limit {_MOST_VALUES}"
    ).fetchall()
    letters = opened.header.label(place) if opened.sheet is not None else ""
    return Column(name, place, below, filled, distinct, tuple(values), letters)


def _by_side(con: duckdb.DuckDBPyConnection, opened: Opened, columns: tuple[Column, ...]) -> tuple[Column, ...]:
    """The columns with their values counted once a side, where one column holds nothing but sides."""
    words = {fold(word) for words in synonyms().codes["*.side"].values() for word in words}
    sides = [one.place for one in columns if one.filled and all(fold(value) in words for value, _ in one.values)]
    if not sides:
        return columns
    counts = ", ".join(f"count(distinct (c{one.place}, c{sides[0]}))" for one in columns)
    (found,) = con.execute(f"select {counts} from {opened.table}").fetchall()
    return tuple(replace(one, distinct_by_side=count) for one, count in zip(columns, found, strict=True))


def _summary(con: duckdb.DuckDBPyConnection, opened: Opened) -> tuple[Skip, ...]:
    """Lines that add the others up: their first cell says so."""
    first = con.execute(f"select distinct c1 from {opened.table} where c1 is not null").fetchall()
    words = [word for (word,) in first if fold(word).rstrip(":") in synonyms().summaries]
    return (Skip(opened.lines.header[0], blank=False, equals=tuple(words), begins=()),) if words else ()


def _uses_comma(columns: Sequence[Column]) -> bool:
    values = [value for column in columns for value, _ in column.values]
    return any(value.count(",") == 1 and value.replace(",", "").lstrip("-").isdigit() for value in values)


def _sources(path: Path, ending: str, number: int, pattern: str) -> list[ExportSource]:
    name = "export" if number == 1 else f"export_{number}"
    plain = ExportSource(name, pattern, None, (1, 1), "utf-8", ",", False, (), ())
    if ending == ".parquet":
        return [plain]
    if ending == ".xlsx":
        sheets = sheet_names(path)
        found = []
        for at, sheet in enumerate(sheets):
            rows = first_rows(path, sheet, _HIGHEST_HEADER + 2)
            if sum(any(row) for row in rows) >= 2:
                named = name if at == 0 else f"{name}_{at + 1}"
                known = None if at == 0 and not is_harmless(sheet) else sheet
                found.append(replace(plain, name=named, sheet=known, header_rows=header_rows(rows)))
        return found
    encoding, text = _decoded(path, ending)
    lines = text.splitlines()[:200]
    if not any(line.strip() for line in lines):
        raise TextError("is empty; export the table again")
    delimiter = _delimiter(lines)
    parted = list(_parted(lines[: _HIGHEST_HEADER + 2], delimiter))
    if not parted:
        raise TextError("has no first line that can be parted into cells; export the table again")
    row = _first_full([[cell.strip() or None for cell in cells] for cells in parted])
    return [
        replace(
            plain,
            encoding=encoding,
            delimiter=delimiter,
            header_rows=(row, row),
            ends_before=_foot(path, ending, encoding, delimiter, len(parted[row - 1])),
        )
    ]


def _foot(path: Path, ending: str, encoding: str, delimiter: str, width: int) -> tuple[str, ...]:
    """The known words with which the lines below the last record begin: totals, and what an export says of itself."""
    with open_bytes(path, compressed=ending == ".csv.gz") as stream:
        tail = b""
        while chunk := stream.read(_LOOK):
            tail = (tail + chunk)[-_FOOT:]
    lines = tail.decode(encoding, errors="replace").splitlines()[1:]
    words: list[str] = []
    for cells in reversed(list(_parted(lines, delimiter))):
        first = fold(next((cell for cell in cells if cell.strip()), ""))
        begins = [word for word in synonyms().summaries if re.match(rf"{re.escape(word)}(\W|$)", first)]
        if first and not begins and len(cells) == width:
            break
        words += begins[:1]
    return tuple(dict.fromkeys(reversed(words)))


def delimiter_name(delimiter: str) -> str:
    """Return the code of a delimiter in a mapping file."""
    return _DELIMITERS[delimiter]


def _decoded(path: Path, ending: str) -> tuple[str, str]:
    try:
        with open_bytes(path, compressed=ending == ".csv.gz") as stream:
            head = stream.read(_LOOK)
            while not head.isascii() and (more := stream.read(_LOOK)):
                head += more
                if len(head) > 64 * _LOOK:
                    break
    except (OSError, *UNPACKING):
        raise TextError("is not a whole file; copy it again") from None
    head = head.removeprefix(b"\xef\xbb\xbf")
    cut = head[: head.rfind(b"\n") + 1] or head
    try:
        return "utf-8", cut.decode("utf-8")
    except UnicodeDecodeError:
        is_windows = any(0x80 <= byte <= 0x9F for byte in cut)
        encoding = "cp1252" if is_windows else "latin-1"
        return encoding, cut.decode(encoding, errors="replace")


def _delimiter(lines: Sequence[str]) -> str:
    """The sign that stands equally often in most lines."""
    best, score = ",", 0.0
    for sign in _DELIMITERS:
        counts = Counter(len(row) for row in _parted(lines, sign))
        width, often = max(counts.items(), key=lambda item: (item[1] * (item[0] > 1), item[0]), default=(0, 0))
        if width > 1 and often * min(width, 40) > score:
            best, score = sign, often * min(width, 40)
    return best


def _parted(lines: Sequence[str], sign: str) -> Iterator[list[str]]:
    """The cells of the lines, as far as they can be parted."""
    with suppress(csv.Error):
        yield from csv.reader(lines, delimiter=sign)


def _first_full(rows: Sequence[Sequence[str | None]]) -> int:
    """The first row, from 1, that names nearly as many columns as any."""
    widths = [sum(cell is not None for cell in row) for row in rows]
    widest = max(widths, default=0)
    return next((at for at, width in enumerate(widths, start=1) if width >= 0.6 * widest), 1)


def header_rows(rows: Sequence[Sequence[str | None]]) -> tuple[int, int]:
    """Return the first and the last of the rows that name the columns: a row of merged titles may stand above."""
    last = _first_full([[cell if _is_name(cell) else None for cell in row] for row in rows])
    above = rows[last - 2] if last > 1 else ()
    is_title = sum(cell is not None for cell in above) >= 2
    return (last - 1, last) if is_title else (last, last)


def _is_name(cell: str | None) -> bool:
    return cell is not None and not cell.replace(".", "").replace("-", "").isdigit()

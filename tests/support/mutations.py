"""Ways to damage a file, on its bytes and on its structure. Each takes a content and a chance, and returns another.

The same chance (a seeded `random.Random`) makes the same damage.
"""

from __future__ import annotations

import csv
import gzip
import io
import zipfile
from collections.abc import Callable, Mapping
from random import Random
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import yaml
from openpyxl import load_workbook

Mutation = Callable[[bytes, Random], bytes]
Rows = list[list[str]]
SENTINEL = "Zebedee-Quillfeather"  # a name that must turn up nowhere
ODD_CELLS = (
    "", " ", "NaN", "nan", "inf", "-inf", "1e309", "-0", "٣", "９", "1_000", "0x10", "1,5", "true", "null", "None",
    "\\N", "'", "''; drop table exams; --", "=cmd()", "@sum(1)", "{side}", "{each}", "%s", "\u202eabc", "e\u0301",
    "\ufeff", "\u2028", "😀", "𝕏", "a\nb", "a\r\nb", '"', '""', ",", ";", "\t", "\x07", "2024-02-30", "31.12.2024",
    "P000", "P999", "PT-1", "pt-1", "EX-1", "9" * 40, "-1", "1.0", "0.5", "200", "left", "LEFT ", "positive", "+",
    "3+ soft", "nd pain", "???", SENTINEL,
)  # fmt: skip
_SIGNS = (b",", b";", b"\t", b"|", b":", b"\x1f")
_ENDS = (b"\n", b"\r\n", b"\r", b"\n\n", b"\n\r", b"", b"\x0b", b"\xe2\x80\xa8", b"\x85")
_STRAY = (
    b"\0", b"\xef\xbb\xbf", b"\xff", b"\xc3", b"\xed\xa0\x80", b"\xf4\x90\x80\x80", b'"', b'""', b"'", b",", b"\n",
    b"\r", b"\x1a", b"\x1b[31m", b"\\", b"\xc2\xa0", b"\xff\xfe",
)  # fmt: skip
_ENCODINGS = ("utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-8-sig", "latin-1", "cp1252", "cp037", "utf-7")


def _at(content: bytes, chance: Random) -> int:
    return chance.randrange(len(content) + 1)


def truncate(content: bytes, chance: Random) -> bytes:
    """Break off somewhere."""
    return content[: _at(content, chance)]


def flip(content: bytes, chance: Random) -> bytes:
    """Turn a few bits over."""
    changed = bytearray(content)
    for _ in range(chance.choice((1, 1, 1, 4, 40)) if changed else 0):
        changed[chance.randrange(len(changed))] ^= 1 << chance.randrange(8)
    return bytes(changed)


def insert(content: bytes, chance: Random) -> bytes:
    """Put stray bytes somewhere: NUL, a byte order mark, broken UTF-8, a quotation mark, a line end."""
    for _ in range(chance.choice((1, 1, 2, 10))):
        at = _at(content, chance)
        content = content[:at] + chance.choice(_STRAY) + content[at:]
    return content


def delete(content: bytes, chance: Random) -> bytes:
    """Take a piece out."""
    first = _at(content, chance)
    return content[:first] + content[first + chance.choice((1, 1, 5, 100, 5000)) :]


def repeat(content: bytes, chance: Random) -> bytes:
    """Have a piece twice."""
    first, last = sorted((_at(content, chance), _at(content, chance)))
    return content[:last] + content[first:]


def swap(content: bytes, chance: Random) -> bytes:
    """Change two pieces over."""
    a, b, c = sorted(_at(content, chance) for _ in range(3))
    return content[:a] + content[b:c] + content[a:b] + content[c:]


def noise(content: bytes, chance: Random) -> bytes:
    """Write random bytes over a piece."""
    at = _at(content, chance)
    piece = chance.randbytes(chance.choice((1, 8, 64, 512)))
    return content[:at] + piece + content[at + len(piece) :]


def emptied(content: bytes, chance: Random) -> bytes:
    """Leave nearly nothing."""
    first = content.split(b"\n", 1)[0]
    return chance.choice((b"", b"\n", b" ", b"\r\n\r\n", b"\xef\xbb\xbf", first, first + b"\n", b"\0" * 100))


def encoded(content: bytes, chance: Random) -> bytes:
    """Write the text in another encoding."""
    return content.decode("utf-8", errors="replace").encode(chance.choice(_ENCODINGS), errors="replace")


def delimiters(content: bytes, chance: Random) -> bytes:
    """Change some or all delimiters."""
    count = chance.choice((1, 5, -1))
    return content.replace(chance.choice(_SIGNS[:4]), chance.choice(_SIGNS), count)


def line_ends(content: bytes, chance: Random) -> bytes:
    """Change some or all line ends."""
    return content.replace(b"\n", chance.choice(_ENDS), chance.choice((1, 3, -1)))


def packed(content: bytes, chance: Random) -> bytes:
    """Pack it, or unpack it, against its name."""
    if content[:2] == b"\x1f\x8b" and chance.random() < 0.7:
        other = chance.choice((content + b"tail", content + content, gzip.compress(content), content[:18]))
        return other if chance.random() < 0.8 else b"\x1f\x8b" + chance.randbytes(50)
    return gzip.compress(content)


BYTES: tuple[Mutation, ...] = (
    truncate, flip, flip, insert, insert, delete, repeat, swap, noise, emptied, encoded, delimiters, line_ends, packed,
)  # fmt: skip


def rows_changed(content: bytes, chance: Random) -> bytes:
    """Change the table that a text holds: its rows, its columns, its cells."""
    text = content.decode("latin-1")
    sign = ";" if text.split("\n", 1)[0].count(";") > 2 else ","
    rows = [row for row in csv.reader(io.StringIO(text, newline=""), delimiter=sign) if row]
    for _ in range(chance.choice((1, 1, 1, 2, 5))):
        rows = chance.choice(_TABLE)(rows, chance) or [[""]]
    target = io.StringIO(newline="")
    writer = csv.writer(target, delimiter=sign, lineterminator=chance.choice(("\n", "\n", "\r\n")))
    writer.writerows(rows)
    return target.getvalue().encode("latin-1", errors="ignore") if _is_latin(content) else _utf8(target.getvalue())


def _is_latin(content: bytes) -> bool:
    try:
        content.decode()
    except UnicodeDecodeError:
        return True
    return False


def _utf8(text: str) -> bytes:
    """Text that came through latin-1 is UTF-8 byte by byte; odd cells are put in as they are."""
    return b"".join(sign.encode("latin-1") if ord(sign) < 256 else sign.encode(errors="replace") for sign in text)


def _columns(change: Callable[[list[str], int, int], list[str]]) -> Callable[[Rows, Random], Rows]:
    def changed(rows: Rows, chance: Random) -> Rows:
        width = len(rows[0])
        one, other = chance.randrange(width or 1), chance.randrange(width or 1)
        return [change(list(row), one, other) if len(row) > max(one, other) else row for row in rows]

    return changed


def _swapped(row: list[str], one: int, other: int) -> list[str]:
    row[one], row[other] = row[other], row[one]
    return row


def _put(row: list[str], at: int, cell: str) -> list[str]:
    return [*row[:at], cell, *row[at + 1 :]]


def _odd_cell(rows: Rows, chance: Random) -> Rows:
    number, cell = chance.randrange(len(rows)), chance.choice(ODD_CELLS)
    return [*rows[:number], _put(rows[number], chance.randrange(len(rows[0]) or 1), cell), *rows[number + 1 :]]


def _odd_cells(rows: Rows, chance: Random) -> Rows:
    cell, at = chance.choice(ODD_CELLS), chance.randrange(len(rows[0]) or 1)
    return [rows[0], *(_put(row, at, cell) if chance.random() < 0.5 else row for row in rows[1:])]


def _odd_heading(rows: Rows, chance: Random) -> Rows:
    at, cell = chance.randrange(len(rows[0]) or 1), chance.choice((*ODD_CELLS, *rows[0]))
    return [_put(rows[0], at, cell), *rows[1:]]


def _ragged(rows: Rows, chance: Random) -> Rows:
    at = chance.randrange(len(rows))
    row = rows[at] + [chance.choice(ODD_CELLS)] if chance.random() < 0.5 else rows[at][:-1]
    return [*rows[:at], row, *rows[at + 1 :]]


def _twice_differing(rows: Rows, chance: Random) -> Rows:
    row = list(chance.choice(rows))
    if row:
        row[chance.randrange(len(row))] = chance.choice(chance.choice(rows) or [""])
    return [*rows, row]


def _huge(rows: Rows, chance: Random) -> Rows:
    at, size = chance.randrange(len(rows)), chance.choice((5_000, 70_000, 70_000, 2_200_000))
    return [*rows[:at], [*rows[at][:-1], chance.choice('x9 \u00e9"') * size], *rows[at + 1 :]]


_TABLE: tuple[Callable[[Rows, Random], Rows], ...] = (
    _columns(lambda row, one, _: row[:one] + row[one + 1 :]),
    _columns(lambda row, one, _: [*row, row[one]]),
    _columns(_swapped),
    _columns(lambda row, one, other: [*row[:other], row[one], *row[other + 1 :]]),
    lambda rows, chance: [row for row in rows if chance.random() < 0.7],
    lambda rows, chance: [*rows, *chance.choices(rows, k=3)],
    lambda rows, chance: [rows[0], *chance.sample(rows[1:], len(rows) - 1)],
    lambda rows, chance: chance.sample(rows, len(rows)),
    lambda rows, _: [[cell.upper() for cell in row] for row in rows],
    lambda rows, _: [[f" {cell} " for cell in row] for row in rows],
    lambda rows, _: rows[1:],
    lambda rows, _: [list(column) for column in zip(*rows, strict=False)],
    _odd_cell, _odd_cell, _odd_cells, _odd_cells, _odd_heading, _ragged, _twice_differing, _huge,
)  # fmt: skip


def gzip_changed(content: bytes, chance: Random) -> bytes:
    """Change the text in a gzipped file, or the packing."""
    if chance.random() < 0.5:
        return chance.choice(BYTES)(content, chance)
    inner = chance.choice((rows_changed, *BYTES))(gzip.decompress(content), chance)
    return gzip.compress(inner, mtime=0)


def parquet_changed(content: bytes, chance: Random) -> bytes:
    """Change the bytes of a Parquet file, or the kinds of its columns."""
    if chance.random() < 0.5:
        return chance.choice(BYTES)(content, chance)
    table = pq.read_table(io.BytesIO(content))
    at = chance.randrange(table.num_columns)
    rows = table.num_rows
    kinds: tuple[Callable[[], pa.Array[Any]], ...] = (
        lambda: pa.array([float("nan")] * rows),
        lambda: pa.array([1.5] * rows),
        lambda: pa.array([[1, 2]] * rows),
        lambda: pa.array([{"a": 1}] * rows),
        lambda: pa.array([b"\xff\xfe\0"] * rows, pa.binary()),
        lambda: pa.array([True] * rows),
        lambda: pa.array([None] * rows, pa.null()),
        lambda: pa.array([0] * rows, pa.timestamp("us")),
        lambda: pa.array([2**63] * rows, pa.uint64()),
        lambda: pa.array([chance.choice(ODD_CELLS)] * rows),
        lambda: pa.array([1] * rows, pa.decimal128(20, 3)),
        lambda: pa.array(["a"] * rows).dictionary_encode(),
    )
    name = chance.choice(
        (table.column_names[at], table.column_names[0], "", "x" * 300, "é", 'a"b', table.column_names[at].upper())
    )
    if chance.random() < 0.2:
        table = table.remove_column(at) if table.num_columns > 1 else table
    else:
        table = table.set_column(at, name, chance.choice(kinds)())
    target = io.BytesIO()
    pq.write_table(table.slice(0, chance.choice((rows, rows, 0, 1))), target)
    return target.getvalue()


def workbook_changed(content: bytes, chance: Random) -> bytes:
    """Change the bytes of a workbook, a part of its archive, or its sheets and cells."""
    way = chance.random()
    if way < 0.25:
        return chance.choice(BYTES)(content, chance)
    return _archive_changed(content, chance) if way < 0.6 else _cells_changed(content, chance)


def _archive_changed(content: bytes, chance: Random) -> bytes:
    """Drop, damage or double a part; an archive of parts is what a workbook is."""
    target = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        names = archive.namelist()
        hit, way = chance.choice(names), chance.randrange(5)
        with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as made:
            for name in names:
                part = archive.read(name)
                if name == hit and way == 0:
                    continue
                if name == hit:
                    part = chance.choice(BYTES)(part, chance)
                made.writestr(name, part)
    return target.getvalue()


def _cells_changed(content: bytes, chance: Random) -> bytes:
    book = load_workbook(io.BytesIO(content))
    page = chance.choice(book.worksheets)
    for _ in range(chance.choice((1, 1, 3, 12))):
        row = chance.randint(1, min(page.max_row, 60) + 1)
        column = chance.randint(1, min(page.max_column, 60))
        way = chance.randrange(8)
        if way == 0:
            page.delete_rows(row)
        elif way == 1:
            page.delete_cols(column)
        elif way == 2:
            page.insert_rows(row)
        elif way == 3:
            page.insert_cols(column)
        elif way == 4:
            page.title = chance.choice(("Sheet", "Visits", "exams", "é" * 20, SENTINEL))
        else:
            _write(page, row, column, chance)
    if chance.random() < 0.1 and len(book.worksheets) > 1:
        book.remove(page)
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


def _write(page: Any, row: int, column: int, chance: Random) -> None:
    import datetime

    odd = (*(cell for cell in ODD_CELLS if cell.isprintable()), 3, 1.5, -1, True, datetime.datetime(2024, 2, 3))
    cell = chance.choice((*odd, datetime.time(8, 15), "=1/0", "#N/A", "=A1", 1e300))
    for at in (row, *([row + 1, row + 2] if chance.random() < 0.3 else [])):
        try:
            page.cell(at, column, cell)
        except AttributeError:
            return  # a merged cell


def mapping_changed(content: bytes, chance: Random) -> bytes:
    """Change the bytes of a mapping file, its lines, or what it says."""
    way = chance.random()
    if way < 0.3:
        return chance.choice(BYTES)(content, chance)
    if way < 0.5:
        lines = content.split(b"\n")
        at, other = chance.randrange(len(lines)), chance.randrange(len(lines))
        changes = (
            lambda: [*lines[:at], *lines[at + 1 :]],
            lambda: [*lines[:at], lines[other], *lines[at:]],
            lambda: [*lines[:at], b" " * chance.randrange(1, 5) + lines[at], *lines[at + 1 :]],
            lambda: [*lines[:at], b"\t" + lines[at].lstrip(), *lines[at + 1 :]],
            lambda: [*lines[:at], chance.choice(_YAML), *lines[at:]],
        )
        return b"\n".join(chance.choice(changes)())
    said = yaml.safe_load(content)
    for _ in range(chance.choice((1, 1, 2, 4))):
        said = _node_changed(said, chance)
    return yaml.safe_dump(said, allow_unicode=True, sort_keys=False).encode()


_YAML = (
    b"- x", b"tables: {}", b"&a [*a]", b"a: &a [x, x]\nb: &b [*a, *a]\nc: &c [*b, *b]\nd: [*c, *c]", b"? complex",
    b"!!python/object:os.system x", b"<<: *nowhere", b"--- ", b"...", b"%YAML 9.9", b"sources: 3", b"title: [", b"'",
    b"  each: {x: {y: z}}", b"\xff", b"x: 2024-02-30", b"x: !!binary aGVsbG8", b"x: |\n  a", b"~: ~", b"1: 2",
)  # fmt: skip
_ODD_NODES: tuple[Any, ...] = (
    None, True, 0, -1, 1.5, float("nan"), 10**30, "", " ", "???", "{cell}", "{side}", "{nothing}", "*", "x" * 3000, [],
    {}, [[]], [None], {"": ""}, {"column": "x"}, {"each": "side"}, {"value": "left"}, {"codes": {}}, {"join": []},
    "Lachman", "utf-16", "tab", "exams", "acl_tear", "left", {1: 2}, {"parts": {"+": "positive"}}, {"steps": {"x": 1}},
    {"bmi": {}}, {"unit": "percent"}, [1, 2], {"when_any": ["*"]}, {"blank_means": {"negative": ["lachman"]}},
)  # fmt: skip


def _node_changed(node: Any, chance: Random) -> Any:
    """Change one place somewhere below."""
    if isinstance(node, Mapping) and node:
        key = chance.choice(list(node))
        way = chance.random()
        if way < 0.75 and isinstance(node[key], Mapping | list):
            return {**node, key: _node_changed(node[key], chance)}
        if way < 0.85:
            return {name: value for name, value in node.items() if name != key}
        if way < 0.95:
            return {**node, key: chance.choice(_ODD_NODES)}
        new = chance.choice(("x", "columns", "each", "codes", "from", "title", "", 1, None))
        return {new if name == key else name: value for name, value in node.items()}
    if isinstance(node, list) and node:
        at = chance.randrange(len(node))
        return [*node[:at], _node_changed(node[at], chance), *node[at + 1 :]]
    return chance.choice(_ODD_NODES)


def damage(name: str, content: bytes, chance: Random) -> bytes:
    """Damage a file in a way that its name allows, more than once now and then."""
    changers: Mapping[str, Mutation] = {
        ".gz": gzip_changed,
        ".parquet": parquet_changed,
        ".xlsx": workbook_changed,
        ".yaml": mapping_changed,
    }
    own = next((change for ending, change in changers.items() if name.endswith(ending)), None)
    if own is not None:
        return own(content, chance)
    changed = rows_changed(content, chance) if chance.random() < 0.6 else content
    return changed if changed != content and chance.random() < 0.8 else chance.choice(BYTES)(changed, chance)

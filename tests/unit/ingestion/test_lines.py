"""Lines are counted as an editor counts them, by an independent reader of CSV."""

from __future__ import annotations

import csv
import gzip
import io
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from examtally.ingestion.reading import lines
from examtally.ingestion.reading.lines import Lines, TextError, line_at, read_lines

CELL = st.text(st.sampled_from('ab,"\n\ré'), max_size=4)
ROW = st.lists(CELL, min_size=2, max_size=2) | st.none()  # None is a blank line


def _line_of(read: Lines, record: int) -> int:
    return record + max((start, shift) for start, shift in read.shifts if start <= record)[1]


def _read(tmp_path: Path, content: bytes) -> Lines:
    path = tmp_path / "a.csv"
    path.write_bytes(content)
    return read_lines(path, compressed=False)


def _expected(text: str) -> list[int]:
    """The first line of every record below the header, by the standard library's reader."""
    reader = csv.reader(io.StringIO(text, newline=""))
    starts, end = [], 0
    for row in reader:
        if row:
            starts.append(end + 1)
        end = reader.line_num
    return starts[1:]


def _text(rows: list[list[str] | None], end: str, *, is_last_ended: bool) -> str:
    def cell(value: str) -> str:
        value = value.replace("\r", "")
        return '"' + value.replace('"', '""') + '"' if set(value) & set('",\n') or not value else value

    records = ["x,y", *("" if row is None else ",".join(map(cell, row)) for row in rows)]
    return end.join(records) + (end if is_last_ended else "")


@settings(deadline=None)
@given(
    rows=st.lists(ROW, max_size=12),
    end=st.sampled_from(["\n", "\r\n"]),
    is_last_ended=st.booleans(),
    size=st.sampled_from([5, 64]),
)
def test_records_and_their_lines(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[list[str] | None],
    end: str,
    is_last_ended: bool,
    size: int,
) -> None:
    text = _text(rows, end, is_last_ended=is_last_ended)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(lines, "_CHUNK", size)  # so that records and quotation marks cross the pieces that are read
        read = _read(tmp_path_factory.mktemp("lines"), text.encode())
    expected = _expected(text)
    assert read.header == ("x", "y")
    assert read.records == len(expected)
    assert [_line_of(read, record) for record in range(read.records)] == expected


def test_a_plain_file_has_one_shift(tmp_path: Path) -> None:
    read = _read(tmp_path, b"x,y\n" + b"1,2\n" * 1000)
    assert read.records == 1000
    assert read.shifts == [(0, 2)]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"x" * 200_000, "does not name the columns"),
        (b"\n\nx,y\n1,2\n", "begins with a blank line"),
        ("x,y\n".encode("utf-16"), "is UTF-16"),
        (b"x,y\n1,\xe4\n", "is not UTF-8 (line 2)"),
        (b"x,y\n1,\0\n", "is not a text file (line 2)"),
        (b"PK\x03\x04\0\0\0\0", "is not a text file (line 1)"),
        (b'x,y\n1,2\n3,"4\n5,6\n', "opened and not closed (line 3)"),
        (b'x,y\n1,2\n3,"4\n5,"6"\n', "opened and not closed (line 3)"),
        (b'x,y\n1,"2" b\n', "opened and not closed (line 2)"),
        (b'x,y\n1,2\n3,4" wide\n', "inside a cell (line 3)"),
        (b"x,y\r\n1,2\n", "two kinds of line ends"),
        (b"x,y\n1,2\r\n", "two kinds of line ends"),
        (b"x,y\r1,2\r", "carriage return alone (line 1)"),
        (b"x,y\n1,2\n3,\r4\n", "carriage return alone (line 3)"),
    ],
)
def test_what_is_no_csv_is_told_with_its_line(tmp_path: Path, content: bytes, words: str) -> None:
    with pytest.raises(TextError) as caught:
        _read(tmp_path, content)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_byte_order_mark_is_no_part_of_the_header(tmp_path: Path) -> None:
    assert _read(tmp_path, b"\xef\xbb\xbfx,y\n1,2\n").header == ("x", "y")


def test_a_header_alone_is_a_table_of_no_records(tmp_path: Path) -> None:
    assert _read(tmp_path, b"x,y").records == _read(tmp_path, b"x,y\n").records == 0


@pytest.mark.parametrize("keep", [0.5, 0.99])
def test_a_gzip_file_cut_short_is_refused(tmp_path: Path, keep: float) -> None:
    packed = gzip.compress(b"x,y\n" + bytes(range(48, 58)) * 500)
    path = tmp_path / "a.csv.gz"
    path.write_bytes(packed[: int(len(packed) * keep)])
    with pytest.raises(TextError, match="not a whole gzip file"):
        read_lines(path, compressed=True)


def test_text_under_the_name_of_a_gzip_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.csv.gz").write_text("x,y\n1,2\n")
    with pytest.raises(TextError, match="not a whole gzip file"):
        read_lines(tmp_path / "a.csv.gz", compressed=True)


def test_the_line_of_a_byte(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"x,y\n1,2\n3,4\n")
    assert line_at(path, 3, compressed=False) == 2  # nothing but the end of line 1
    assert [line_at(path, offset, compressed=False) for offset in (0, 2, 4, 8, 10)] == [1, 1, 2, 3, 3]

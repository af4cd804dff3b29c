"""Writing a synthetic clinic: record files, dirty files with their account, and the truth."""

from __future__ import annotations

import json
import shutil
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import IO

import duckdb
import polars as pl

from examtally.contracts.contract import Contract
from examtally.contracts.records.rules import literal, quoted
from examtally.errors import FileFault
from examtally.synthesis.planted_faults import PLACES, STORED, UNCHANGED, DirtyTable

RECORDS, DIRTY, TRUTH, EXPECTED = "records", "dirty", "truth.json", "expected.json"
_DECIMALS = 6
_RENEWED = ("participant_id", "exam_id", "reference_id")
_ONCE = ("examiners",)
_DIGITS = 7  # of the number in a code
_ROWS_AT_ONCE = 1_000_000
_ROWS_A_FILE = 20_000_000
_ABOUT = (
    "Where every line goes when these files are taken as one batch, by an empty registry and by one that has the clean "
    "records already. Lines count from 1, the header; lines that are not listed are stored, or unchanged after the "
    "records. Nothing of `planted` may be found anywhere afterwards."
)


@contextmanager
def fresh_folder(out: Path) -> Iterator[Path]:
    """A folder to write in; what is in it takes its place in `out` when all went well, and is removed otherwise.

    Raises FileFault where `out` holds something that is not an earlier synthetic clinic.
    """
    if out.exists() and not out.is_dir():
        raise FileFault("the place to write to is a file; name a folder")
    inside = out / ".unfinished"
    if out.is_dir() and any(path != inside for path in out.iterdir()) and not (out / TRUTH).is_file():
        raise FileFault("the folder to write to holds other things than a synthetic clinic; name a new or an empty one")
    out.mkdir(parents=True, exist_ok=True)
    shutil.rmtree(inside, ignore_errors=True)
    inside.mkdir()
    try:
        yield inside
        in_order = sorted(
            inside.iterdir(), key=lambda path: (path.name != TRUTH, path.name)
        )  # first what marks it ours
        for made in in_order:
            _replace(made, out / made.name)
    finally:
        shutil.rmtree(inside, ignore_errors=True)


class RecordFiles:
    """The record files of one folder, written part by part."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self._folder = folder
        self.rows: dict[str, int] = {}

    def add(self, records: Mapping[str, pl.DataFrame]) -> None:
        """Append rows; the header comes with the first ones."""
        for table, frame in records.items():
            with (self._folder / f"{table}.csv").open("ab") as stream:
                _write_csv(frame, stream, with_header=table not in self.rows)
            self.rows[table] = self.rows.get(table, 0) + len(frame)


def replicate(folder: Path, copies: int, contract: Contract) -> dict[str, int]:
    """Rewrite the record files in `folder` so that each row stands there `copies` times; return the rows by table.

    The same people again under new codes, numbers that go on where those of the copy before end; the first are as they
    were. Examiners and readers stay who they are, and every share stays what it was. The same arguments give the same
    bytes. Raises FileFault where codes would need more than seven digits, which ingest takes for no code.
    Past 20 million rows of a table the copies go on in further files, `exams-2.csv` beside `findings-2.csv`: those of
    one number speak of the same people, and a batch can be made of each.
    """
    with duckdb.connect() as con:
        tables = {path.stem: _load_once(con, path) for path in sorted(folder.glob("*.csv"))}
        spans = _spans(con, tables, contract)
        if copies * max(spans.values()) >= 10**_DIGITS:
            raise FileFault(f"{copies:,} copies would need codes of more than {_DIGITS} digits; ask for fewer")
        a_file = max(1, _ROWS_A_FILE // max(1, *tables.values()))
        for number, first in enumerate(range(0, copies, a_file), start=1):
            for table, rows in tables.items():
                if table not in _ONCE:
                    name = table if number == 1 else f"{table}-{number}"
                    _write_copies(con, table, rows, spans, range(first, min(first + a_file, copies)), folder / name)
    return {table: rows if table in _ONCE else rows * copies for table, rows in tables.items()}


def _load_once(con: duckdb.DuckDBPyConnection, path: Path) -> int:
    """Read a record file as text under the name of its table; return its rows."""
    read = f"read_csv({literal(str(path))}, header=true, delim=',', all_varchar=true)"
    con.execute(f"create temp table {quoted(path.stem)} as from {read}")
    ((rows,),) = con.execute(f"select count(*) from {quoted(path.stem)}").fetchall()
    return int(rows)


def _spans(con: duckdb.DuckDBPyConnection, tables: Iterable[str], contract: Contract) -> dict[str, int]:
    """The largest number of each renewed code, over all tables."""
    found = {}
    for column in _RENEWED:
        holding = [quoted(table) for table in tables if column in contract.tables[table].names]
        numbers = " union all ".join(f"select {_number(quoted(column))} as number from {table}" for table in holding)
        ((found[column],),) = con.execute(f"select coalesce(max(number), 0) from ({numbers})").fetchall()
    return found


def _number(code: str) -> str:
    return f"regexp_extract({code}, '[0-9]+$')::integer"


def _write_copies(
    con: duckdb.DuckDBPyConnection, table: str, rows: int, spans: Mapping[str, int], copies: range, place: Path
) -> None:
    """Write these copies of a table to `place`.csv, not many rows at once."""
    held = {name for name, *_ in con.execute(f"describe {quoted(table)}").fetchall()}
    new = [
        f"regexp_replace({code}, '[0-9]+$', '') || lpad(({_number(code)} + copy * {span})::varchar, {_DIGITS}, '0') "
        f"as {code}"
        for code, span in ((quoted(name), span) for name, span in spans.items() if name in held)
    ]
    replaced = f"replace ({', '.join(new)})" if new else ""
    step, made = max(1, _ROWS_AT_ONCE // max(1, rows)), place.with_suffix(".part")
    with place.with_suffix(".csv").open("wb") as stream:
        for first in range(copies.start, copies.stop, step):
            numbers = f"range({first}, {min(first + step, copies.stop)}) numbers(copy)"
            con.execute(
                f"copy (select * exclude (copy) {replaced} from {numbers}, {quoted(table)}) to {literal(str(made))} "
                f"(format csv, header {first == copies.start})"
            )
            with made.open("rb") as part:
                shutil.copyfileobj(part, stream, 2**20)
            made.unlink()


def write_dirty(folder: Path, tables: Mapping[str, DirtyTable], planted: list[str]) -> None:
    """Write the dirty files and `expected.json`: where each line goes when an empty registry takes them."""
    folder.mkdir()
    for name, table in tables.items():
        with (folder / f"{name}.csv").open("wb") as stream:
            _write_csv(table.lines, stream, with_header=True)
    account = {
        "about": _ABOUT,
        "tables": {name: _counts(table, after_records=False) for name, table in tables.items()},
        "tables_after_records": {name: _counts(table, after_records=True) for name, table in tables.items()},
        "lines": [
            {"table": name, "line": line, **asdict(account)}
            for name, table in tables.items()
            for line, account in table.accounts.items()
        ],
        "planted": sorted(set(planted)),
    }
    write_json(folder / EXPECTED, account)


def write_json(path: Path, content: Mapping[str, object]) -> None:
    """Write JSON, the rows of a table one a line, numbers to six decimals."""
    path.write_text(f"{_json(_rounded(content))}\n", encoding="utf-8", newline="\n")


def _json(value: object, indent: str = "") -> str:
    """Mappings and lists of rows over several lines, everything else on one."""
    inner = f"{indent} "
    if isinstance(value, dict) and value:
        lines = [f"{inner}{json.dumps(key)}: {_json(each, inner)}" for key, each in value.items()]
        return "{\n" + ",\n".join(lines) + f"\n{indent}}}"
    if isinstance(value, list) and value and isinstance(value[0], list | dict):
        return "[\n" + ",\n".join(f"{inner}{_one_line(each)}" for each in value) + f"\n{indent}]"
    return _one_line(value)


def _one_line(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _counts(table: DirtyTable, *, after_records: bool) -> dict[str, int]:
    """Lines by place; those without an account are stored, or unchanged where the clean records are stored already."""
    accounts = table.accounts.values()
    places = Counter(account.after_records if after_records else account.outcome for account in accounts)
    places[UNCHANGED if after_records else STORED] += len(table.lines) - len(accounts)
    return {"lines": len(table.lines), **{place: places[place] for place in PLACES}}


def _write_csv(frame: pl.DataFrame, stream: IO[bytes], *, with_header: bool) -> None:
    frame.write_csv(stream, include_header=with_header, line_terminator="\n", null_value="")


def _rounded(value: object) -> object:
    if isinstance(value, float):
        return round(value, _DECIMALS) + 0.0
    if isinstance(value, Mapping):
        return {key: _rounded(inner) for key, inner in value.items()}
    return [_rounded(inner) for inner in value] if isinstance(value, list | tuple) else value


def _replace(made: Path, place: Path) -> None:
    if place.is_dir():
        shutil.rmtree(place)
    made.replace(place)

"""The records of a registry as a folder of Parquet files, parted by site: what an engine past one machine reads.

    TABLES/manifest.json
    TABLES/records/exams/site=SITE-1/data_0.parquet      every record table, and `superseded`, earlier versions
    TABLES/bookkeeping/batch_tables.parquet              what the analysis tells of batches; no line, no key, no log
    TABLES/waiting/findings.parquet                      the batch of each line that waits for its exam, nothing else

A row lies under one site: that of its examiner, of its exam's examiner, or of its participant's first exam; `unknown`
where none is known. The content is held to the registry's fingerprint before the folder takes its name, and each file
to its sha256 when it is read. It is as private as the registry, and erasing in the registry does not reach it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import duckdb

from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.records.rules import literal, quoted
from examtally.contracts.records.tables import Table
from examtally.errors import RegistryError
from examtally.files import is_unfinished, whole_folder
from examtally.registry.bookkeeping import waiting_tables
from examtally.registry.content import content_fingerprint
from examtally.registry.lock_wait import LockWait
from examtally.registry.registry import open_registry

MANIFEST = "manifest.json"
RECORD_NUMBER = "record_no"
"""The column that numbers the exams as the registry does, by `rowid`."""

SITE = "site"
UNKNOWN_SITE = "unknown"
PARTS = {"records": "reg", "superseded": "reg.superseded"}
"""Folders of record tables, and the schema each is of."""

BOOKKEEPING = ("batch_tables", "held_back", "intake_checks", "assumptions", "catalogues")
_FORMAT = "examtally tables"
_VERSION = 1
_CHUNK = 1 << 20


@dataclass(frozen=True)
class TableSet:
    """A table set that was found whole: its folder, the registry's fingerprint, and each table's rows and columns.

    `columns` holds name and DuckDB type of the columns of each table, such as `records/exams`.
    """

    folder: Path
    fingerprint: str
    rows: Mapping[str, int]
    columns: Mapping[str, Mapping[str, str]]
    files: Mapping[str, str]

    def files_of(self, table: str) -> list[Path]:
        """Return the files of a table, none where it has no row."""
        return [self.folder / name for name in self.files if name.startswith(f"{table}/") or name == f"{table}.parquet"]


def write_table_set(
    registry: Path | str,
    out: Path,
    *,
    lock_wait: LockWait | None = None,
    progress: Callable[[str], None] | None = None,
) -> TableSet:
    """Write the records of `registry` to the folder `out`, in place of an earlier table set; all of it or nothing.

    Raises RegistryError where `out` is something else or cannot be written.
    """
    out, contract, say = out.resolve(), load_contract(), progress or (lambda _step: None)
    check_place_of_tables(out)
    with open_registry(registry, lock_wait=lock_wait) as opened:
        con = opened.con
        try:
            _write_sites(con)
            with whole_folder(out) as fresh:
                say("writing the tables")
                columns = {name: _write(con, fresh, name, table) for name, table in _record_tables(contract).items()}
                columns |= {name: _write_small(con, fresh, name, of) for name, of in _small_tables(contract).items()}
                say("comparing the tables with the registry")
                held = [content_fingerprint(con, contract, schema) for schema in PARTS.values()]
                if _fingerprints(con, contract, fresh, columns) != held:
                    raise RegistryError("the tables do not hold what the registry holds; nothing was written, repeat")
                made = TableSet(fresh, held[0], _rows(con, columns), columns, _sums(fresh))
                (fresh / MANIFEST).write_text(_text(made), encoding="utf-8")
        except (OSError, duckdb.Error) as fault:  # the words of a database may quote a record
            why = getattr(fault, "strerror", None) or "no room, or not allowed"
            raise RegistryError(f"the tables cannot be written: {why}; name another folder with --to") from None
    return read_table_set(out)


def read_table_set(folder: Path | str) -> TableSet:
    """Return the table set at `folder`; RegistryError where it is none, or a file is missing, changed or foreign."""
    folder = Path(folder).resolve()
    if is_unfinished(folder):
        raise RegistryError("writing these tables was stopped before its end; write them again: ingest --to")
    content = _content(folder)
    try:
        made = TableSet(folder, content["fingerprint"], content["rows"], content["columns"], {**content["files"]})
        is_ours = content["version"] == _VERSION and _text(made) == (folder / MANIFEST).read_text(encoding="utf-8")
    except (KeyError, TypeError, AttributeError):
        is_ours = False
    if not is_ours:
        raise RegistryError(f"{MANIFEST} was changed, or is of another version; write the tables anew: ingest --to")
    found = _sums(folder)
    differing = len({name for name in {*found, *made.files} if found.get(name) != made.files.get(name)})
    if differing:
        raise RegistryError(
            f"{differing} of {len(made.files)} files of the tables are missing, foreign or were changed; write the "
            "tables anew: ingest --to"
        )
    return made


def check_not_replaced(tables: TableSet) -> None:
    """Raise RegistryError where other tables stand in the place of these since they were read."""
    try:
        is_there = (tables.folder / MANIFEST).read_text(encoding="utf-8") == _text(tables)
    except OSError:
        is_there = False
    if not is_there:
        raise RegistryError("the tables were written anew or removed meanwhile; nothing was written, repeat")


def check_place_of_tables(out: Path) -> None:
    """Raise RegistryError where something else than a table set lies at `out`."""
    if out.is_dir() and any(out.iterdir()):
        _content(out)
    elif out.exists() and not out.is_dir():
        raise RegistryError("--to: that is a file; name a folder for the tables")


def _content(folder: Path) -> dict[str, Any]:
    try:
        content = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError, RecursionError):
        content = None
    if not isinstance(content, dict) or content.get("format") != _FORMAT:
        raise RegistryError("the folder holds no tables that `examtally ingest --to` wrote; name another")
    return content


def _text(made: TableSet) -> str:
    content = asdict(made)
    del content["folder"]
    return json.dumps({"format": _FORMAT, "version": _VERSION, **content}, indent=1) + "\n"


def _record_tables(contract: Contract) -> dict[str, Table]:
    return {f"{part}/{table.name}": table for part in PARTS for table in contract.tables.values()}


def _small_tables(contract: Contract) -> dict[str, str]:
    """Other tables, by name, with the columns wanted of them."""
    waiting = {f"waiting/{table.name}": "batch_no" for table in waiting_tables(contract)}
    return {**{f"bookkeeping/{name}": "*" for name in BOOKKEEPING}, **waiting}


def _write_sites(con: duckdb.DuckDBPyConnection) -> None:
    """Write where exams and participants belong: `exam_sites` and `participant_sites`."""
    con.execute(
        f"""
        create temp table exam_sites as
        select exam_id, participant_id, exam_day, coalesce(x.site_id, '{UNKNOWN_SITE}') as {SITE}
        from reg.exams left join reg.examiners x using (examiner_id);
        create temp table participant_sites as
        select participant_id, arg_min({SITE}, (exam_day, exam_id)) as {SITE} from exam_sites group by participant_id
        """
    )


def _write(con: duckdb.DuckDBPyConnection, folder: Path, name: str, table: Table) -> dict[str, str]:
    """Write a record table, parted by site; return its columns."""
    part = name.partition("/")[0]
    source = f"{PARTS[part]}.{quoted(table.name)}"
    columns = _columns(con, source)
    number = f", t.rowid as {RECORD_NUMBER}" if name == _EXAMS else ""
    (folder / part).mkdir(exist_ok=True)
    con.execute(
        f"copy (select t.*{number}, coalesce(s.{SITE}, '{UNKNOWN_SITE}') as {SITE} from {source} t {_site_of(table)}) "
        f"to {literal(str(folder / name))} (format parquet, compression zstd, partition_by ({SITE}))"
    )
    return columns | ({RECORD_NUMBER: "BIGINT"} if number else {})


def _write_small(con: duckdb.DuckDBPyConnection, folder: Path, name: str, wanted: str) -> dict[str, str]:
    """Write a table that is no record's, whole or one column of it; return its columns."""
    part, _, base = name.partition("/")
    source = f"{'reg.waiting' if part == 'waiting' else 'reg'}.{quoted(base)}"
    (folder / part).mkdir(exist_ok=True)
    con.execute(f"copy (select {wanted} from {source}) to {literal(str(folder / f'{name}.parquet'))} (format parquet)")
    return _columns(con, f"(select {wanted} from {source})")


def _columns(con: duckdb.DuckDBPyConnection, source: str) -> dict[str, str]:
    return {column: kind for column, kind, *_ in con.execute(f"describe from {source}").fetchall()}


def _site_of(table: Table) -> str:
    """The join that brings the site of a row."""
    if "examiner_id" in table.names:
        return (
            f"left join (select examiner_id, site_id as {SITE} from reg.examiners) s on s.examiner_id = t.examiner_id"
        )
    if "exam_id" in table.names:
        return "left join exam_sites s on s.exam_id = t.exam_id"
    return "left join participant_sites s on s.participant_id = t.participant_id"


def _fingerprints(
    con: duckdb.DuckDBPyConnection, contract: Contract, folder: Path, columns: Mapping[str, Mapping[str, str]]
) -> list[str]:
    """The fingerprint of each part of the record tables, as the files in `folder` hold it."""
    con.execute("attach ':memory:' as copied")
    try:
        for part in PARTS:
            con.execute(f"create schema copied.{part}")
            for table in contract.tables.values():
                name = f"{part}/{table.name}"
                kept = ", ".join(quoted(column) for column in columns[name] if column != RECORD_NUMBER)
                files = sorted(str(path) for path in (folder / name).rglob("*.parquet"))
                source = f"read_parquet([{', '.join(map(literal, files))}])" if files else _empty(columns[name])
                con.execute(f"create view copied.{part}.{quoted(table.name)} as select {kept} from {source}")
        return [content_fingerprint(con, contract, f"copied.{part}") for part in PARTS]
    finally:
        con.execute("detach copied")


def _empty(columns: Mapping[str, str]) -> str:
    return f"(select {', '.join(f'null::{kind} as {quoted(name)}' for name, kind in columns.items())} limit 0)"


def _rows(con: duckdb.DuckDBPyConnection, names: Mapping[str, object]) -> dict[str, int]:
    """The rows of each table in the registry."""
    schemas = {**PARTS, "bookkeeping": "reg", "waiting": "reg.waiting"}
    found = {}
    for name in names:
        part, _, base = name.partition("/")
        ((found[name],),) = con.execute(f"select count(*) from {schemas[part]}.{quoted(base)}").fetchall()
    return found


def _sums(folder: Path) -> dict[str, str]:
    """The sha256 of every file in `folder` but the manifest, by its path in it."""
    paths = sorted(path for path in folder.rglob("*") if path.is_file() and path != folder / MANIFEST)
    return {path.relative_to(folder).as_posix(): _sha256(path) for path in paths}


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


_EXAMS = "records/exams"

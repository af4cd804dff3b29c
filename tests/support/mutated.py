"""Whole inputs to be damaged, sent through the command line, and what must hold whatever was in them."""

from __future__ import annotations

import csv
import gzip
import io
import json
import shutil
import signal
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random
from types import FrameType

import duckdb
import polars as pl
from mutations import SENTINEL, damage
from records import exam, finding, reference, send, write_csv

from examtally.cli.app import main
from examtally.contracts.contract import load_contract
from examtally.registry import open_registry
from examtally.registry.bookkeeping import waiting_tables
from examtally.registry.verifying import verify
from examtally.workbook.book import write_workbook

EXPORTS = Path(__file__).resolve().parents[2] / "docs" / "exports"
LONGEST = 20.0  # seconds of work; the damaged files are small
HANGS = 300.0  # seconds, on a machine with other work
REFUSED = {2, 3, 4, 6}
Files = Mapping[str, bytes]


@dataclass(frozen=True)
class Case:
    """An input with one of its files damaged: what is said on the command line after the name of the program."""

    name: str
    folder: Path
    registry: Path
    command: tuple[str, ...]

    @property
    def is_storing(self) -> bool:
        """Whether it would store a batch."""
        return self.command[0] == "ingest"


@dataclass(frozen=True)
class Outcome:
    """What a command did."""

    code: int
    printed: str
    errors: str
    seconds: float


def make_inputs(folder: Path) -> dict[str, Files]:
    """Sound inputs of every kind, by name; a mapping file is one of the files. Makes `registry.duckdb` beside them."""
    folder.mkdir(exist_ok=True)
    tables = _tables()
    own = {f"{name}.csv": write_csv(folder / f"{name}.csv", rows).read_bytes() for name, rows in tables.items()}

    def parquet(name: str) -> bytes:
        target = io.BytesIO()
        pl.read_csv(own[f"{name}.csv"], infer_schema_length=0).write_parquet(target)
        return target.getvalue()

    book = folder / "book.xlsx"
    write_workbook(book, load_contract(), as_tables=True)
    _fill(book, {name: tables[name] for name in ("participants", "exams", "findings")})
    send(folder, folder / "registry.duckdb", participants=tables["participants"][:4], exams=tables["exams"][:4],
         findings=[*tables["findings"][:5], finding("EX-LATE1", "ober")])  # fmt: skip
    return {
        "own": own,
        "packed": {"exams.csv.gz": gzip.compress(own["exams.csv"], mtime=0), "findings.csv": own["findings.csv"]},
        "columns": {"exams.parquet": parquet("exams"), "findings.parquet": parquet("findings")},
        "book": {"book.xlsx": book.read_bytes()},
        **_packed_exports(),
        **{
            name: _documented(name, ending) for name, ending in (("wide", "csv"), ("long", "csv"), ("register", "xlsx"))
        },
    }


def _tables() -> dict[str, list[dict[str, object]]]:
    people = [f"PT-{number}" for number in range(8)]
    exams = [exam(f"EX-{at}", participant_id=one, effusion="small", pain_now=at) for at, one in enumerate(people)]
    maneuvers = ("lachman", "ober", "pivot_shift")
    return {
        "participants": [{"participant_id": one, "sex": "female", "age_years": 30} for one in people],
        "exams": exams,
        "findings": [finding(f"EX-{at}", code, "negative", reason="") for at in range(9) for code in maneuvers],
        "history": [{"exam_id": f"EX-{at}", "item": "pop", "answer": "yes"} for at in range(8)],
        "impressions": [
            {"exam_id": f"EX-{at}", "condition": "acl_tear", "stage": "after_exam", "probability": at / 10}
            for at in range(8)
        ],
        "references": [reference(f"RD-{at}", participant_id=one, severity="") for at, one in enumerate(people)],
    }


def _documented(name: str, ending: str) -> Files:
    """One of the exports of the documentation, few of its lines."""
    export = (EXPORTS / f"{name}.{ending}").read_bytes()
    if ending == "csv":
        export = b"".join(export.splitlines(keepends=True)[:15])
    return {f"{name}.{ending}": export, f"{name}.yaml": (EXPORTS / f"{name}.yaml").read_bytes()}


def _packed_exports() -> dict[str, Files]:
    """The long export gzipped in Latin-1, and as Parquet."""
    sound = _documented("long", "csv")
    mapping, export = sound["long.yaml"], sound["long.csv"]
    columns = io.BytesIO()
    pl.read_csv(export, infer_schema_length=0).write_parquet(columns)
    in_latin = mapping.replace(b'files: "long*.csv"', b'files: "long*.csv.gz", encoding: latin-1')
    return {
        "long packed": {"long.csv.gz": gzip.compress(export, mtime=0), "long.yaml": in_latin},
        "long in columns": {
            "long.parquet": columns.getvalue(),
            "long.yaml": mapping.replace(b"long*.csv", b"long*.parquet"),
        },
    }


def _fill(book: Path, tables: Mapping[str, list[dict[str, object]]]) -> None:
    from openpyxl import load_workbook

    opened = load_workbook(book)
    for name, rows in tables.items():
        page = opened[name]
        places = {cell.value: cell.column for cell in page[1]}
        for number, row in enumerate(rows, start=2):
            for column, value in row.items():
                page.cell(number, places[column], value)
    opened.save(book)


def make_case(
    inputs: Mapping[str, Files], registry: Path, folder: Path, name: str, seed: object, way: str | None = None
) -> Case:
    """Write an input with one file damaged by a chance that follows from `seed`, and the command to read it.

    `way` is ingest, amend, check or draft; one of them by chance where left out.
    """
    chance = Random(f"{name} {seed}")
    files = dict(inputs[name])
    hit = chance.choice(list(files))
    if name == "own":  # a table or two beside the damaged one
        kept = {hit, *chance.sample(list(files), 2)}
        files = {file: content for file, content in files.items() if file in kept}
    files[hit] = damage(hit, files[hit], chance)
    folder.mkdir()
    for file, content in files.items():
        (folder / file).write_bytes(content)
    target = folder.with_suffix(".duckdb")
    shutil.copy(registry, target)
    mapping = [folder / file for file in files if file.endswith(".yaml")]
    given = ["--mapping", str(mapping[0])] if mapping else []
    read = [str(folder / file) for file in files if not file.endswith(".yaml")]
    exports = read if mapping else [str(folder)]
    command = way or chance.choices(("ingest", "amend", "check", "draft"), (10, 3, 1, 3))[0]
    if command == "draft":
        return Case(f"{name} {seed}", folder, target, ("map", "draft", chance.choice(read)))
    verb = ("ingest", *(["--amend"] if command == "amend" else [])) if command != "check" else ("check",)
    allowed = ["--allow-held", "1"] if command != "check" and chance.random() < 0.5 else []
    return Case(
        f"{name} {seed}", folder, target, (*verb, *exports, *given, *allowed, "--registry", str(target), "--json")
    )


class TooLong(Exception):
    """A command that did not end in time."""


@contextmanager
def _in_time(seconds: float) -> Iterator[None]:
    def stop(_number: int, _frame: FrameType | None) -> None:
        raise TooLong

    earlier = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, earlier)


def run_here(case: Case) -> Outcome:
    """Run the command in this process."""
    printed, errors = io.StringIO(), io.StringIO()
    start = time.process_time()
    with redirect_stdout(printed), redirect_stderr(errors), _in_time(HANGS):
        code = main(list(case.command))
    return Outcome(code, printed.getvalue(), errors.getvalue(), time.process_time() - start)


def check_outcome(case: Case, outcome: Outcome, before: Path, *, thorough: bool = False) -> bool:
    """Assert what must hold whatever was in the files; return whether a batch was stored."""
    assert outcome.code in {0, *REFUSED}, (case, outcome.code, outcome.errors[-600:])
    assert "Traceback" not in outcome.errors, case
    assert "the database failed" not in outcome.errors, (case, outcome.errors[-600:])  # nobody foresaw it
    assert outcome.seconds < LONGEST, (case, outcome.seconds)
    if case.command[0] != "map":  # a draft is written from the export, for the eyes of its owner
        assert SENTINEL.lower() not in (outcome.printed + outcome.errors).lower(), case
    if outcome.code:
        assert outcome.errors.strip(), case
        assert max(map(len, outcome.errors.splitlines())) < 2000, case
    is_stored = case.is_storing and outcome.code == 0
    if is_stored:
        _check_batch(case, json.loads(outcome.printed), before)
    else:
        assert is_same(case.registry, before), case
    if thorough:
        assert verify(case.registry).faults == (), case
    return is_stored


def is_same(registry: Path, before: Path) -> bool:
    """Whether two registries hold the same, by their bytes or their fingerprints."""
    if registry.read_bytes() == before.read_bytes():
        return True
    with open_registry(registry) as one, open_registry(before) as other:
        return one.fingerprint() == other.fingerprint()


def _check_batch(case: Case, report: dict[str, list[dict[str, int]]], before: Path) -> None:
    """A whole batch and nothing else, every line of every file in one place."""
    places = ("stored", "unchanged", "conflict", "waiting", "held_back")
    for file in report["files"]:
        assert file["lines"] == sum(file[place] for place in places), (case, file)
    for export in report["exports"]:
        assert export["lines"] == export["mapped"] + export["skipped"] + export["empty"], (case, export)
    _check_lines(case, report)
    was, is_now = _rows_before(before), _rows(case.registry)
    assert is_now["batches"] == was["batches"] + 1, case
    for name in load_contract().tables:
        own = [file for file in report["files"] if file["table"] == name]
        came = sum(file["stored"] + file["waiting"] for file in own)
        amended = sum(table["amended"] for table in report["tables"] if table["table"] == name)
        assert is_now[name] - was[name] == came - amended, (case, name)


def _check_lines(case: Case, report: dict[str, list[dict[str, int]]]) -> None:
    """The lines of a text file, counted by another reader."""
    texts = sorted(path for path in case.folder.iterdir() if path.name.endswith(".csv"))
    if report["exports"]:
        for path in texts:
            sign = ";" if path.name.startswith("wide") else ","
            assert [one["lines"] for one in report["exports"]] == [_count(path, sign)], case
        return
    counted = {path.stem: _count(path, ",") for path in texts}
    for file in report["files"]:
        assert counted.get(str(file["table"]), file["lines"]) == file["lines"], (case, file)


def _count(path: Path, sign: str) -> int:
    text = path.read_bytes().removeprefix(b"\xef\xbb\xbf").decode("latin-1")
    before = csv.field_size_limit(1 << 24)
    try:
        return sum(bool(row) for row in csv.reader(io.StringIO(text, newline=""), delimiter=sign)) - 1
    finally:
        csv.field_size_limit(before)


def _rows(registry: Path) -> dict[str, int]:
    """Rows by table, waiting ones included."""
    parts = {name: [f'main."{name}"'] for name in ("batches", *load_contract().tables)}
    for table in waiting_tables(load_contract()):
        parts[table.name].append(f'waiting."{table.name}"')
    counts = ", ".join(
        " + ".join(f"(select count(*) from {part})" for part in own) + f' as "{name}"' for name, own in parts.items()
    )
    with duckdb.connect(str(registry), read_only=True) as con:
        (row,) = con.execute(f"select {counts}").fetchall()
    return dict(zip(parts, row, strict=True))


_rows_before = cache(_rows)

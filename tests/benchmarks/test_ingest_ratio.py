"""What `ingest` takes against DuckDB's own typed load of the same files: five million findings, and the demo's records.

The load knows the types of all columns; it checks nothing, links nothing and keeps no account.
"""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path
from statistics import median

import duckdb
import pytest
from timed import processor_seconds, said, timed_ingest

from examtally.contracts.contract import load_contract
from examtally.synthesis import synthesize

EXAMS = 125_000
SMALL_ROUNDS = 3
AIM, SMALL_AIM, MEMORY_GB = 2.5, 4.0, 3.0
NOISE = 1.1

BARE = """
import json, sys, time
import duckdb
con = duckdb.connect(sys.argv[1], config={"memory_limit": "2GB"})
con.execute("set enable_progress_bar = false")
for statement in json.loads(sys.argv[2]):
    con.execute(statement)
con.execute("checkpoint")
print(json.dumps(time.process_time()))
"""


def _write_files(folder: Path) -> None:
    """Exams and 40 findings of each, in legal codes of the catalogue, sorted by exam."""
    con = duckdb.connect()
    con.execute("set enable_progress_bar = false")
    maneuvers = [
        (code, list(item.signs), [*item.grades], item.unit is not None)
        for code, item in list(load_contract().catalogue.maneuvers.items())[:40]
    ]
    con.execute("create table maneuvers (maneuver varchar, signs varchar[], grades integer[], measured boolean)")
    con.executemany("insert into maneuvers values (?, ?, ?, ?)", maneuvers)
    con.execute(
        f"""create table exams as select 'EX-' || lpad(i::varchar, 6, '0') as exam_id,
            'PT-' || lpad((i // 2)::varchar, 6, '0') as participant_id, if(i % 2 = 0, 'left', 'right') as side,
            'EM-' || lpad((i % 12)::varchar, 2, '0') as examiner_id,
            'P' || lpad((1 + i * 18 // {EXAMS})::varchar, 3, '0') as period, i % 2 as exam_day
            from range({EXAMS}) t(i)"""
    )
    con.execute(f"copy exams to '{folder / 'exams.csv'}' (header)")
    con.execute(
        f"""copy (
            select exam_id, maneuver, result, if(result in ('equivocal', 'not_done'), 'pain', null) as reason,
                if(result = 'positive', signs[1], null) as sign, ['yes', 'no', 'unknown'][1 + h // 8 % 3] as pain,
                if(result = 'positive', grades[1 + h // 16 % greatest(1, len(grades))], null) as grade,
                if(measured and h % 3 = 0, round(h // 64 % 120 / 10, 1), null) as measure,
                if(measured and h % 3 = 0, 'eye', null) as measured_by, if(h % 2 = 0, 30, null) as flexion_deg,
                if(h % 5 = 0, 'firm', null) as end_point,
                row_number() over (partition by exam_id order by maneuver) as done_order
            from (select *, case when h % 10 < 3 then 'positive' when h % 10 < 8 then 'negative'
                    when h % 10 = 8 then 'equivocal' else 'not_done' end as result
                from (select *, (hash(exam_id, maneuver) >> 2)::bigint as h from exams, maneuvers))
            order by exam_id, maneuver) to '{folder / "findings.csv"}' (header)"""
    )


def _bare(registry: Path, folder: Path) -> list[str]:
    """The command that loads every file of a folder with its declared types into a new database."""
    loads = []
    for file in sorted(folder.glob("*.csv")):
        table = load_contract().tables[file.stem]
        with file.open(encoding="utf-8") as stream:
            columns = ", ".join(f"'{name}': '{table.field(name).sql_type}'" for name in next(csv.reader(stream)))
        options = f"header = true, auto_detect = false, delim = ',', columns = {{{columns}}}"
        loads.append(f"create table \"{table.name}\" as from read_csv('{file}', {options})")
    registry.unlink(missing_ok=True)
    return [sys.executable, "-c", BARE, str(registry), json.dumps(loads)]


@pytest.mark.benchmark_ratio
def test_five_million_findings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "records"
    folder.mkdir()
    _write_files(folder)
    ratios = []
    for second_engine in (False, True):
        bare = float(said(_bare(tmp_path / "bare.duckdb", folder)))
        (tmp_path / "r.duckdb").unlink(missing_ok=True)
        ours = timed_ingest(tmp_path / "r.duckdb", folder, second_engine=second_engine)
        assert ours.stored == {"exams": EXAMS, "findings": EXAMS * 40}
        assert ours.peak_gb < MEMORY_GB
        ratios.append(ours.cpu / bare)
        with capsys.disabled():
            beside = ", second engine beside it" if second_engine else ""
            print(
                f"\n{EXAMS * 40:,} findings{beside} (aim {AIM}): "
                f"ratio of processor time to {bare:.1f} s is {ratios[-1]:.2f}"
            )
            print(f"   {ours}")
    assert max(ratios) <= AIM * NOISE


@pytest.mark.benchmark_ratio
def test_the_records_of_the_demo(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Whole processes, by the command line: a small batch is mostly start, statements and checks."""
    synthesize(tmp_path / "clinic")
    folder, registry = tmp_path / "clinic" / "records", tmp_path / "r.duckdb"
    ours = [sys.executable, "-m", "examtally.cli", "ingest", str(folder), "--registry", str(registry), "--no-settings"]
    ratios = []
    for number in range(SMALL_ROUNDS + 1):  # the first compiles modules
        bare = processor_seconds(_bare(tmp_path / "bare.duckdb", folder))
        registry.unlink(missing_ok=True)
        seconds = processor_seconds(ours)
        if number:
            ratios.append(seconds / bare)
            with capsys.disabled():
                print(f"\ndemo: {seconds:.2f} s of processor, bare load {bare:.2f} s, ratio {ratios[-1]:.2f}", end="")
    with capsys.disabled():
        print(f"\nmedian ratio {median(ratios):.2f} (aim {SMALL_AIM})")
    assert median(ratios) <= SMALL_AIM * NOISE

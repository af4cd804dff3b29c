"""How long `ingest` takes for five million findings, against DuckDB's own typed load of the same file."""

from __future__ import annotations

import json
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

import duckdb
import pytest

from examtally.contracts.contract import load_contract

EXAMS = 125_000
ROUNDS = 3

BARE = """
import json, sys, time
import duckdb
start = time.perf_counter()
from pathlib import Path
from examtally.contracts.contract import load_contract
table = load_contract().tables["findings"]
columns = ", ".join(f"'{field.name}': '{field.sql_type}'" for field in table.fields)
con = duckdb.connect(config={"memory_limit": "2GB"})
con.execute("set enable_progress_bar = false")
con.execute(f"attach '{sys.argv[2]}' as bare")
begin, cpu = time.perf_counter(), time.process_time()
con.execute(f"create table bare.findings as from read_csv('{sys.argv[1]}', header=true, auto_detect=false, "
            f"delim=',', columns={{{columns}}})")
con.execute("checkpoint bare")
print(json.dumps({"load": time.perf_counter() - begin, "cpu": time.process_time() - cpu}))
"""

INGEST = """
import json, resource, sys, time
started = time.perf_counter()
from examtally.ingestion import ingest
steps = [("import", started, 0), ("start", time.perf_counter(), time.process_time())]
note = lambda step: steps.append((step, time.perf_counter(), time.process_time()))
report = ingest([sys.argv[1]], sys.argv[2], progress=note)
note("end")
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
print(json.dumps({"steps": steps, "peak_gb": peak, "stored": report.tables[0].stored}))
"""


def _run(code: str, *args: Path) -> dict[str, Any]:
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, args)], capture_output=True, text=True, check=True, timeout=900
    )
    return dict(json.loads(done.stdout))


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


def _compared(bare: dict[str, Any], ours: dict[str, Any]) -> list[str]:
    marks = [(name, wall, cpu) for name, wall, cpu in ours["steps"]]
    wall, cpu = {name: wall for name, wall, _ in marks}, {name: cpu for name, _, cpu in marks}
    second, after = "checking findings again with another engine", "comparing with the registry"
    own = wall["end"] - wall["start"] - (wall[after] - wall[second])
    own_cpu = cpu["end"] - cpu["start"] - (cpu[after] - cpu[second])
    imports, held = wall["start"] - wall["import"], wall["after checkpoint"] - wall[after]
    return [
        f"ingest {own:.2f} s, bare load {bare['load']:.2f} s, ratio {own / bare['load']:.2f} (aim 2); "
        f"processor time {own_cpu:.2f} s, {bare['cpu']:.2f} s, ratio {own_cpu / bare['cpu']:.2f}",
        f"   beside it: second engine {wall[after] - wall[second]:.2f} s, imports {imports:.2f} s; "
        f"registry held {held:.2f} s; peak memory {ours['peak_gb']:.2f} GB (aim 3)",
        "   " + ", ".join(f"{a[0]} {b[1] - a[1]:.2f}" for a, b in pairwise(marks) if b[1] - a[1] > 0.05),
    ]


@pytest.mark.benchmark_ratio
def test_ingest_against_a_bare_typed_load(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _write_files(tmp_path)
    empty, registry = tmp_path / "exams.duckdb", tmp_path / "registry.duckdb"
    _run(INGEST, tmp_path / "exams.csv", empty)
    lines = []
    for round_no in range(ROUNDS):
        bare = _run(BARE, tmp_path / "findings.csv", tmp_path / f"bare-{round_no}.duckdb")
        registry.write_bytes(empty.read_bytes())
        ours = _run(INGEST, tmp_path / "findings.csv", registry)
        assert ours["stored"] == EXAMS * 40
        lines += _compared(bare, ours)
    with capsys.disabled():
        print(f"\n{EXAMS * 40:,} findings")
        print("\n".join(lines))

"""Spark gives the bytes that DuckDB gives, keeps to itself, and survives a task that fails.

Run where pyspark and Java are: a Spark session alone takes longer than all that the default tests may.
"""

from __future__ import annotations

import importlib.util
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from study_clinic import make_registry

from examtally.errors import EngineError
from examtally.registry import open_registry
from examtally.registry.table_set import write_table_set
from examtally.results import analyze
from examtally.spark.records import SparkRecords, open_records

_MISSING = importlib.util.find_spec("pyspark") is None or shutil.which("java") is None
pytestmark = [
    pytest.mark.study,
    pytest.mark.skipif(_MISSING, reason="not run: no pyspark or no Java"),
    pytest.mark.filterwarnings("ignore::FutureWarning", "ignore::ResourceWarning", "ignore::DeprecationWarning"),
]
COUNTED = ("cohort_summary", "flow", "tallies")


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Spark takes 2 GiB at most."""
    monkeypatch.setattr("examtally.spark.session.for_database", lambda: 2 * 2**30)


@pytest.fixture(scope="module")
def registry(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small clinic."""
    return make_registry(tmp_path_factory.mktemp("spark"))


@pytest.fixture(scope="module")
def tables(registry: Path) -> Path:
    write_table_set(registry, registry.parent / "tables")
    return registry.parent / "tables"


@pytest.fixture
def records(tables: Path) -> Iterator[SparkRecords]:
    """The tables in Spark, where a task may fail twice."""
    with open_records(tables, master="local[2,3]") as opened:
        yield opened


def _bytes(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_every_table_has_the_bytes_that_duckdb_gives(registry: Path, records: SparkRecords, tmp_path: Path) -> None:
    with open_registry(registry) as opened:
        analyze(opened, with_examiners=True).write(tmp_path / "duckdb")
    analyze(records, with_examiners=True).write(tmp_path / "spark")
    assert _bytes(tmp_path / "spark") == _bytes(tmp_path / "duckdb")


def _failing(records: SparkRecords, folder: Path, times: int) -> None:
    """Let the tasks that read exams fail: each so many times, counted in files."""

    def fails(code: str) -> bool:
        from pyspark import TaskContext

        context = TaskContext.get()
        part = context.partitionId() if context is not None else 0
        for attempt in range(times):
            mark = folder / f"{part}-{attempt}"
            if not mark.exists():
                mark.touch()
                raise RuntimeError(f"the record of {code} is lost")
        return True

    engine = records.con
    engine._session.udf.register("stands", fails, "boolean")
    view = engine._records["reg.exams"]
    query = f"select * from {view} where stands(exam_id)"
    engine._session.sql(query).createOrReplaceTempView("failing_exams")
    engine._records["reg.exams"] = engine._names["reg.exams"] = "failing_exams"


def test_a_task_that_fails_is_done_again_and_nothing_differs(
    registry: Path, records: SparkRecords, tmp_path: Path
) -> None:
    with open_registry(registry) as opened:
        whole = analyze(opened, only=COUNTED)
    _failing(records, tmp_path, times=2)
    found = analyze(records, only=COUNTED)
    assert len(list(tmp_path.iterdir())) >= 2, "tasks did fail"
    for name in COUNTED:
        assert found.tables[name].equals(whole.tables[name]), name


def test_a_task_that_always_fails_is_one_line_without_a_record(
    records: SparkRecords, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    _failing(records, tmp_path, times=9)
    with pytest.raises(EngineError) as fault:
        analyze(records, only=["tallies"])
    assert re.fullmatch(r"Spark stopped: \w+; nothing was written", str(fault.value))
    assert "EX-" not in "".join(capfd.readouterr())


def test_it_listens_to_this_machine_alone_and_leaves_nothing(tables: Path) -> None:
    with open_records(tables, master="local[2]") as records:
        process = records.con._session.sparkContext._gateway.proc.pid
        heard = {address for pid in _family(process) for address in _listening(pid)}
        assert heard
        assert {address for address in heard if not _is_local(address)} == set()
        (spill,) = tables.parent.glob("examtally-spill-*")
        assert spill.stat().st_mode & 0o077 == 0
    assert not Path(f"/proc/{process}").exists(), "Java ends with it"
    assert list(tables.parent.glob("examtally-spill-*")) == []


def _family(process: int) -> list[int]:
    found = subprocess.run(["ps", "-o", "pid=", "--ppid", str(process)], capture_output=True, text=True, check=False)
    return [process, *(int(line) for line in found.stdout.split())]


def _listening(process: int) -> list[str]:
    """Local addresses, as the system writes them, that a process listens on; none where it has ended."""
    try:
        return _addresses(process)
    except (FileNotFoundError, ProcessLookupError):
        return []


def _addresses(process: int) -> list[str]:
    sockets = set()
    for descriptor in Path(f"/proc/{process}/fd").iterdir():
        named = re.fullmatch(r"socket:\[(\d+)\]", str(descriptor.readlink()) if descriptor.is_symlink() else "")
        if named:
            sockets.add(named[1])
    found = []
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/{process}/net/{table}").read_text(encoding="ascii").splitlines()[1:]:
            cells = line.split()
            if cells[3] == "0A" and cells[9] in sockets:
                found.append(cells[1].partition(":")[0])
    return found


def _is_local(address: str) -> bool:
    return address in ("0100007F", "0000000000000000FFFF00000100007F", "00000000000000000000000001000000")

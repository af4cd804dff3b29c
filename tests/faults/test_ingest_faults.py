"""Whatever stops an ingest, the registry is as before or as after, and the same files can be sent again."""

from __future__ import annotations

import signal
import sys
import time
from pathlib import Path

import duckdb
import numpy as np
import pytest
from forked import Child, die, limit_file_size
from records import exam, finding, send, state, write_csv

from examtally.contracts.contract import load_contract
from examtally.errors import ExamtallyError, ReconciliationError, RegistryError
from examtally.ingestion import batch, ingest
from examtally.ingestion.storing import storing

EXAMS = 80
NAMED = (
    "before begin",
    "after begin",
    "before insert exams",
    "after insert exams",
    "before insert findings",
    "after insert findings",
    "before commit",
    "after commit",
    "before checkpoint",
    "after checkpoint",
)
COMMITTED = NAMED[NAMED.index("after commit") :]
RANDOM_MOMENTS, STUDY = 1, 30
OFTEN = ("after insert findings", "before commit", "after commit", "before checkpoint")


def ingest_in_child(folder: Path, registry: Path, step: str, limit: int) -> None:
    """Ingest without the second engine; say when the registry is about to be held, or die at another step."""
    limit_file_size(limit)
    batch.examine = lambda *_: ()  # type: ignore[assignment]

    def progress(at: str) -> None:
        if at == step == "comparing with the registry":
            print("armed", flush=True)
        elif at == step:
            die()

    try:
        ingest([folder], registry, progress=progress)
    except ExamtallyError as error:
        print(type(error).__name__, error)
        sys.exit(3)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A batch that takes a moment to store: every exam with all maneuvers, and lines that wait."""
    folder = tmp_path_factory.mktemp("files")
    maneuvers = list(load_contract().catalogue.maneuvers)
    write_csv(folder / "exams.csv", [exam(f"EX-{number}") for number in range(EXAMS)])
    rows = [finding(f"EX-{number}", maneuver, "negative") for number in range(EXAMS + 50) for maneuver in maneuvers]
    write_csv(folder / "findings.csv", rows)
    return folder


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A registry with a batch in it, and findings that wait for the exams of the next."""
    folder = tmp_path_factory.mktemp("before")
    registry = folder / "registry.duckdb"
    send(folder, registry, exams=[exam("EX-0")], findings=[finding("EX-0"), finding("EX-1", "lachman", "negative")])
    return registry


@pytest.fixture(scope="module")
def after(files: Path, before: Path) -> dict[str, list[tuple[object, ...]]]:
    registry = before.with_name("after.duckdb")
    registry.write_bytes(before.read_bytes())
    ingest([files], registry)
    return state(registry)


@pytest.fixture
def registry(before: Path, tmp_path: Path) -> Path:
    path = tmp_path / "registry.duckdb"
    path.write_bytes(before.read_bytes())
    return path


def _start(files: Path, registry: Path, step: str, limit: int = 0) -> Child:
    return Child(ingest_in_child, files, registry, step, limit)


def _killed(files: Path, registry: Path, step: str) -> None:
    child = _start(files, registry, step)
    child.communicate()
    assert child.returncode == -signal.SIGKILL


def _records(found: dict[str, list[tuple[object, ...]]]) -> dict[str, list[tuple[object, ...]]]:
    """The rows without the number of the batch that brought them: a repeat may be batch 2 or batch 3."""
    return {name: sorted((row[:-1] for row in rows), key=repr) for name, rows in found.items()}


def _repeat(files: Path, registry: Path, expected: dict[str, list[tuple[object, ...]]]) -> None:
    """The same files go in now, and nothing but the registry is left beside it."""
    ingest([files], registry)
    assert _records(state(registry)) == _records(expected)
    assert [path.name for path in registry.parent.iterdir()] == [registry.name]


@pytest.mark.parametrize("step", [pytest.param(one, marks=[] if one in OFTEN else pytest.mark.study) for one in NAMED])
def test_killed_at_a_named_step(
    files: Path, registry: Path, before: Path, after: dict[str, list[tuple[object, ...]]], step: str
) -> None:
    _killed(files, registry, step)
    assert state(registry) == (after if step in COMMITTED else state(before))
    _repeat(files, registry, after)


@pytest.fixture(scope="module")
def writing_time(files: Path, before: Path) -> float:
    """Seconds from the moment the registry is held to the end."""
    path = before.with_name("timed.duckdb")
    path.write_bytes(before.read_bytes())
    child = _start(files, path, "comparing with the registry")
    child.stdout.readline()
    start = time.perf_counter()
    child.communicate()
    return time.perf_counter() - start


@pytest.mark.parametrize(
    "moment",
    [*range(RANDOM_MOMENTS), *(pytest.param(n, marks=pytest.mark.study) for n in range(RANDOM_MOMENTS, STUDY))],
)
def test_killed_at_a_random_moment(
    files: Path,
    registry: Path,
    before: Path,
    after: dict[str, list[tuple[object, ...]]],
    writing_time: float,
    moment: int,
) -> None:
    delay = float(np.random.default_rng([7, moment]).uniform(0, writing_time))
    child = _start(files, registry, "comparing with the registry")
    assert child.stdout.readline() == "armed\n"
    time.sleep(delay)
    child.kill()
    child.communicate()
    found = state(registry)
    assert found in (state(before), after)
    _repeat(files, registry, after)


@pytest.mark.parametrize(
    "step",
    [
        "after insert findings",
        "after checkpoint",
        *(pytest.param(one, marks=pytest.mark.study) for one in ("before begin", "after commit")),
    ],
)
def test_killed_while_the_registry_is_made(files: Path, tmp_path: Path, step: str) -> None:
    registry = tmp_path / "registry.duckdb"
    _killed(files, registry, step)
    assert registry.exists() == (step == "after checkpoint")  # never under its name before it is whole
    ingest([files], registry)
    assert len(state(registry)["exams"]) == EXAMS
    assert [path.name for path in tmp_path.iterdir()] == [registry.name]


@pytest.mark.parametrize("step", NAMED[:-1])
def test_an_error_at_a_named_step(
    files: Path, registry: Path, before: Path, after: dict[str, list[tuple[object, ...]]], step: str
) -> None:
    def progress(at: str) -> None:
        if at == step:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        ingest([files], registry, progress=progress)
    assert state(registry) == (after if step in COMMITTED else state(before))
    assert [path.name for path in registry.parent.iterdir()] == [registry.name]


@pytest.mark.parametrize(
    "share", [0.25, 0.95, *(pytest.param(one, marks=pytest.mark.study) for one in (0.0, 0.5, 0.75))]
)
def test_no_room_left_on_disk(
    files: Path, registry: Path, before: Path, after: dict[str, list[tuple[object, ...]]], share: float
) -> None:
    """The largest size a file may have lies between what the registry has and what it needs."""
    small, large = before.stat().st_size, before.with_name("after.duckdb").stat().st_size
    child = _start(files, registry, "never", int(small + share * (large - small)))
    printed, errors = child.communicate()
    assert child.returncode == 3, (printed, errors)
    assert errors == ""
    assert printed.startswith("RegistryError ")
    assert "free some" in printed
    assert printed.count("\n") == 1
    assert state(registry) == (after if "is stored" in printed else state(before))
    _repeat(files, registry, after)


def test_no_room_for_a_new_registry(files: Path, tmp_path: Path) -> None:
    registry = tmp_path / "registry.duckdb"
    child = _start(files, registry, "never", 300_000)
    printed, _ = child.communicate()
    assert printed.startswith("RegistryError ")
    assert "nothing was stored" in printed
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "statement",
    [
        "delete from reg.findings where batch_no = 2 and maneuver = 'ober' and exam_id = 'EX-3'",
        "insert into reg.findings select * from reg.findings where exam_id = 'EX-0' and maneuver = 'lachman'",
        "update reg.findings set maneuver = 'lachman' where exam_id = 'EX-3' and maneuver = 'ober'",
        "update reg.findings set exam_id = 'EX-STRAY1' where exam_id = 'EX-3' and maneuver = 'ober'",
    ],
)
def test_what_does_not_add_up_is_not_committed(
    files: Path, registry: Path, before: Path, monkeypatch: pytest.MonkeyPatch, statement: str
) -> None:
    """A row lost, doubled, given the key of another or cut off from its exam behind the back of the account."""
    real = storing.check_invariants

    def spoil_first(con: duckdb.DuckDBPyConnection, *args: object) -> None:
        con.execute(statement)
        real(con, *args)  # type: ignore[arg-type]

    monkeypatch.setattr(storing, "check_invariants", spoil_first)
    with pytest.raises(ReconciliationError, match="nothing was stored"):
        ingest([files], registry)
    assert state(registry) == state(before)


def test_a_key_that_would_stand_twice_is_told_in_a_first_batch_too(
    files: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = storing.check_invariants

    def spoil_first(con: duckdb.DuckDBPyConnection, *args: object) -> None:
        con.execute("update reg.findings set maneuver = 'lachman' where exam_id = 'EX-3' and maneuver = 'ober'")
        real(con, *args)  # type: ignore[arg-type]

    monkeypatch.setattr(storing, "check_invariants", spoil_first)
    with pytest.raises(ReconciliationError, match="findings: a key would be stored twice; nothing was stored"):
        ingest([files], tmp_path / "new.duckdb")
    assert not (tmp_path / "new.duckdb").exists()


def test_a_line_in_two_places_is_told(files: Path, registry: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = batch.place

    def place_twice(con: duckdb.DuckDBPyConnection, *args: object, **options: object) -> None:
        real(con, *args, **options)  # type: ignore[arg-type]
        con.execute("insert into placed_findings select 5, 'unchanged' union all select 5, 'waiting'")

    monkeypatch.setattr(batch, "place", place_twice)
    with pytest.raises(ReconciliationError, match=r"file 2 \(findings\).*nothing was stored"):
        ingest([files], registry)


def test_a_folder_that_cannot_be_written_is_told_before_the_work(files: Path, tmp_path: Path) -> None:
    with pytest.raises(RegistryError, match="no such folder"):
        ingest([files], tmp_path / "nowhere" / "registry.duckdb")

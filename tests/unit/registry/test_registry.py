from __future__ import annotations

import gc
import os
import pkgutil
import shutil
import stat
import subprocess
import sys
import tempfile
from pathlib import Path

import duckdb
import pytest

from examtally.contracts.contract import load_contract
from examtally.errors import RegistryError, RegistryLocked
from examtally.registry import open_registry, scratch
from examtally.registry.bookkeeping import MIGRATIONS, Migration, migrate, stored_version
from examtally.registry.registry import writing
from examtally.registry.scratch import SpillFolder, remove_abandoned
from examtally.registry.workspace import Workspace

EXAMINER = "insert into reg.examiners values ('EX-{0}', 'student', null, null, {1})"


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("made") / "registry.duckdb"
    open_registry(path, read_only=False).close()
    return path


@pytest.fixture
def registry(empty: Path, tmp_path: Path) -> Path:
    """A copy of each test's own."""
    return Path(shutil.copy(empty, tmp_path))


def _names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def _insert(path: Path, *statements: str) -> str:
    with open_registry(path, read_only=False) as opened:
        for statement in statements:
            opened.con.execute(statement)
        return opened.fingerprint()


def test_a_new_registry_is_private_and_holds_every_declared_table(registry: Path) -> None:
    assert stat.S_IMODE(registry.stat().st_mode) == 0o600
    with open_registry(registry) as opened:
        names = {name for (name,) in opened.con.execute("select table_name from duckdb_tables()").fetchall()}
    assert set(load_contract().tables) <= names
    assert {"schema_version", "batches", "batch_tables", "held_back", "intake_checks", "released"} <= names
    assert _names(registry.parent) == [registry.name]


def test_a_registry_opened_for_reading_cannot_be_written(registry: Path) -> None:
    with open_registry(registry) as opened, pytest.raises(duckdb.Error, match="read-only"):
        opened.con.execute(EXAMINER.format(1, 1))


def test_a_small_registry_is_read_by_one_thread(registry: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = "select current_setting('threads')"
    with open_registry(registry) as opened:
        assert opened.con.execute(asked).fetchall() == [(1,)]
    monkeypatch.setattr("examtally.registry.workspace._SMALL", registry.stat().st_size)  # of half as much
    with open_registry(registry) as opened, duckdb.connect() as usual:
        assert opened.con.execute(asked).fetchall() == usual.execute(asked).fetchall()


def test_the_write_ahead_log_is_private_too(registry: Path) -> None:
    contract = load_contract()
    with Workspace(registry.parent) as workspace, writing(workspace, registry, contract):
        workspace.con.execute(EXAMINER.format(1, 1))
        log = registry.with_name(registry.name + ".wal")
        assert stat.S_IMODE(log.stat().st_mode) == 0o600


def test_the_fingerprint_is_of_content_not_of_order_or_batches(tmp_path: Path) -> None:
    one = _insert(tmp_path / "one.duckdb", EXAMINER.format(1, 1), EXAMINER.format(2, 1))
    other = _insert(tmp_path / "other.duckdb", EXAMINER.format(2, 1), EXAMINER.format(1, 2))
    changed = _insert(tmp_path / "one.duckdb", "update reg.examiners set role = 'nurse' where examiner_id = 'EX-1'")
    assert one == other != changed


def test_the_fingerprint_tells_which_column_a_value_stands_in(tmp_path: Path) -> None:
    first = (
        "insert into reg.exams (exam_id, participant_id, side, episode, examiner_id, period, exam_day, {}, batch_no) "
    )
    values = "values ('EX-1', 'PT-1', 'left', 1, 'EM-1', 'P001', 0, 'yes', 1)"
    complaint = _insert(tmp_path / "one.duckdb", first.format("complaint") + values)
    guarding = _insert(tmp_path / "other.duckdb", first.format("guarding") + values)
    assert complaint != guarding


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("missing.duckdb", None, "there is no registry here"),
        ("words.duckdb", b"a,b\n" * 5000, "is not a registry"),
        ("words.csv", b"a,b\n" * 5000, "is not a registry"),
        ("empty.duckdb", b"", "is not a registry"),
    ],
)
def test_a_file_that_is_no_registry_is_told_in_one_line(
    tmp_path: Path, name: str, content: bytes | None, words: str
) -> None:
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(RegistryError, match=words) as caught:
        open_registry(path)
    assert "\n" not in str(caught.value)
    if content is not None:
        with pytest.raises(RegistryError, match=words):
            open_registry(path, read_only=False)
        assert path.read_bytes() == content


def test_a_folder_is_no_registry(tmp_path: Path) -> None:
    with pytest.raises(RegistryError, match="is a folder"):
        open_registry(tmp_path)


def test_a_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "other.duckdb"
    with duckdb.connect(str(path)) as con:
        con.execute("create table people (a integer)")
    for read_only in (True, False):
        with pytest.raises(RegistryError, match="another program"):
            open_registry(path, read_only=read_only)


@pytest.mark.parametrize("share", [0.999, 0.9, 0.5, 0.01])
def test_a_registry_cut_short_is_refused(registry: Path, share: float) -> None:
    content = registry.read_bytes()
    registry.write_bytes(content[: int(len(content) * share)])
    for read_only in (True, False):
        with pytest.raises(RegistryError, match=r"cut short|damaged"):
            open_registry(registry, read_only=read_only)


def test_a_registry_that_has_shrunk_is_not_taken_for_one_cut_short(registry: Path) -> None:
    """Blocks given back at the end of the file are still counted in its header."""
    _insert(registry, "create table reg.scrap as select hash(i) as a from range(300000) t(i)", "checkpoint reg")
    grown = registry.stat().st_size
    _insert(registry, "drop table reg.scrap", "checkpoint reg")
    assert registry.stat().st_size < grown
    with open_registry(registry) as opened:
        ((counted,),) = opened.con.execute(
            "select block_size * total_blocks from pragma_database_size() where database_name = 'reg'"
        ).fetchall()
    assert counted > registry.stat().st_size
    open_registry(registry, read_only=False).close()


def test_the_name_may_end_in_anything(tmp_path: Path) -> None:
    path = tmp_path / "registry.csv"  # DuckDB takes a file of this ending for something to query in memory
    fingerprint = _insert(path, EXAMINER.format(1, 1))
    with open_registry(path) as opened:
        assert opened.fingerprint() == fingerprint


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(RegistryError, match="no such folder"):
        open_registry(tmp_path / "nowhere" / "registry.duckdb", read_only=False)


def test_a_locked_registry_says_who_holds_it(registry: Path) -> None:
    code = (
        "import sys; from examtally.registry import open_registry; "
        "held = open_registry(sys.argv[1], read_only=False); print('held', flush=True); sys.stdin.read()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(registry)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    for read_only in (True, False):
        with pytest.raises(RegistryLocked, match=f"process {holder.pid}") as caught:
            open_registry(registry, read_only=read_only)
        assert "\n" not in str(caught.value)
    holder.communicate("")
    open_registry(registry).close()


def test_a_registry_open_in_this_program_says_so(registry: Path) -> None:
    with open_registry(registry), open_registry(registry), pytest.raises(RegistryLocked, match="this program"):
        open_registry(registry, read_only=False)


def test_an_older_form_is_brought_to_the_newest(registry: Path) -> None:
    _insert(registry, EXAMINER.format(1, 1))
    newer = (*MIGRATIONS, Migration(MIGRATIONS[-1].version + 1, ("alter table reg.batches add column remark VARCHAR",)))
    with duckdb.connect() as con:
        con.execute(f"attach '{registry}' as reg")
        assert migrate(con, load_contract(), newer) == (MIGRATIONS[-1].version, newer[-1].version)
        assert migrate(con, load_contract(), newer) == (newer[-1].version, newer[-1].version)
        assert con.execute("select remark from reg.batches").fetchall() == []
        assert con.execute("select count(*) from reg.examiners").fetchall() == [(1,)]
    with pytest.raises(RegistryError, match="install the newer"):
        open_registry(registry)
    with pytest.raises(RegistryError, match="install the newer"):
        open_registry(registry, read_only=False)


def test_a_migration_that_fails_leaves_the_registry_as_it_was(registry: Path) -> None:
    broken = (*MIGRATIONS, Migration(MIGRATIONS[-1].version + 1, ("drop table reg.batches", "select no_such_thing")))
    with duckdb.connect() as con:
        con.execute(f"attach '{registry}' as reg")
        with pytest.raises(duckdb.Error):
            migrate(con, load_contract(), broken)
        assert stored_version(con) == MIGRATIONS[-1].version
        assert con.execute("select count(*) from reg.batches").fetchall() == [(0,)]


def _redeclare(path: Path, sql: str) -> None:
    """Replace the examiners table by one of an earlier catalogue."""
    with duckdb.connect(str(path)) as con:
        con.execute(f"drop table examiners; create table examiners ({sql}); checkpoint")


def test_a_table_whose_declaration_has_changed_is_rebuilt_with_its_rows(registry: Path) -> None:
    declared = _insert(registry, "insert into reg.examiners values ('EX-1', null, null, null, 1)")
    _redeclare(registry, "examiner_id VARCHAR NOT NULL, batch_no INTEGER NOT NULL")
    with duckdb.connect(str(registry)) as con:
        con.execute("insert into examiners values ('EX-1', 1)")
    with pytest.raises(RegistryError, match="older form"):
        open_registry(registry)
    with open_registry(registry, read_only=False) as opened:
        assert opened.fingerprint() == declared
        with pytest.raises(duckdb.ConstraintException):
            opened.con.execute("insert into reg.examiners values ('EX-2', 'stranger', null, null, 1)")


def test_rows_that_the_present_catalogue_does_not_know_are_never_dropped(registry: Path) -> None:
    _redeclare(registry, "examiner_id VARCHAR NOT NULL, role VARCHAR, batch_no INTEGER NOT NULL")
    with duckdb.connect(str(registry)) as con:
        con.execute("insert into examiners values ('EX-1', 'wizard', 1)")
    with pytest.raises(RegistryError, match="no longer declared") as caught:
        open_registry(registry, read_only=False)
    assert "wizard" not in str(caught.value)
    with duckdb.connect(str(registry)) as con:
        assert con.execute("select role from examiners").fetchall() == [("wizard",)]


def test_columns_that_are_no_longer_declared_are_never_dropped(registry: Path) -> None:
    _redeclare(registry, "examiner_id VARCHAR NOT NULL, shoe_size INTEGER, batch_no INTEGER NOT NULL")
    with open_registry(registry, read_only=False) as opened:
        columns = [name for name, *_ in opened.con.execute("describe reg.examiners").fetchall()]
    assert set(load_contract().tables["examiners"].names) < set(columns)
    assert "shoe_size" in columns, "a catalogue that is not at hand may declare it"


def test_a_block_that_fails_leaves_no_new_registry(tmp_path: Path) -> None:
    path = tmp_path / "registry.duckdb"
    with (
        pytest.raises(ZeroDivisionError),
        Workspace(tmp_path) as workspace,
        writing(workspace, path, load_contract()),
    ):
        raise ZeroDivisionError
    assert _names(tmp_path) == []


def test_a_registry_made_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "registry.duckdb"
    with (
        pytest.raises(RegistryError, match="made by another program"),
        Workspace(tmp_path) as workspace,
        writing(workspace, path, load_contract()),
    ):
        path.write_bytes(b"theirs")
    assert path.read_bytes() == b"theirs"


def test_the_spill_folder_is_private_and_goes_with_its_process(tmp_path: Path) -> None:
    with Workspace(tmp_path) as workspace:
        assert stat.S_IMODE(workspace.folder.stat().st_mode) == 0o700
        assert workspace.folder.parent == tmp_path
        assert remove_abandoned(tmp_path) == 0  # its process lives
    assert _names(tmp_path) == []


def test_spilled_pages_of_a_killed_process_go_at_the_next_start(tmp_path: Path) -> None:
    code = (
        "import os, signal, sys, pathlib; from examtally.registry.workspace import Workspace; "
        "workspace = Workspace(pathlib.Path(sys.argv[1])); (workspace.folder / 'page').write_text('record'); "
        "os.kill(os.getpid(), signal.SIGKILL)"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False)
    assert sorted(path.name for path in tmp_path.rglob("*") if path.is_file()) == ["owner", "page"]
    folder = SpillFolder(tmp_path)
    assert _names(tmp_path) == [folder.path.name]
    folder.close()
    assert _names(tmp_path) == []


def test_a_spill_folder_that_another_process_took_leaves_no_open_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other saw it between its making and its locking; the next one is claimed, and neither is closed twice."""
    locked: list[int] = []
    own = scratch.own

    def own_late(path: Path) -> int:
        locked.append(own(path))
        if len(locked) == 1:
            path.unlink()
        return locked[-1]

    monkeypatch.setattr(scratch, "own", own_late)
    folder = SpillFolder(tmp_path)
    assert len(locked) == 2
    assert list(tmp_path.iterdir()) == [folder.path]
    folder.close()
    gc.collect()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("call", ["pathlib.Path.mkdir", "examtally.registry.scratch.own", "shutil.rmtree"])
def test_ctrl_c_while_a_spill_folder_is_made_or_removed_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    """Pressed once, just after the call."""
    place, _, name = call.rpartition(".")
    owner = pkgutil.resolve_name(place)
    done = getattr(owner, name)

    def press(*words: object, **named: object) -> None:
        done(*words, **named) if name != "rmtree" else None
        monkeypatch.undo()
        raise KeyboardInterrupt

    def work() -> None:
        folder = SpillFolder(tmp_path)
        (folder.path / "page").write_text("record")
        folder.close()

    monkeypatch.setattr(owner, name, press)
    with pytest.raises(KeyboardInterrupt) as pressed:
        work()
    del pressed
    gc.collect()
    assert _names(tmp_path) == []


def test_report_folders_of_a_killed_process_go_at_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They lie in the system's temporary folder, whatever the next command works on."""
    shared = tmp_path / "shared"
    shared.mkdir()
    code = (
        "import os, signal; from examtally.registry.scratch import scratch; "
        "held = scratch(); folder = held.__enter__(); (folder / 'page').write_text('figure'); "
        "os.kill(os.getpid(), signal.SIGKILL)"
    )
    subprocess.run([sys.executable, "-c", code], check=False, env={**os.environ, "TMPDIR": str(shared)})
    assert [path.name for path in shared.rglob("page")] == ["page"]
    monkeypatch.setattr(tempfile, "tempdir", str(shared))
    with Workspace(tmp_path):
        assert _names(shared) == []


def test_a_sort_beyond_memory_spills_into_the_folder(tmp_path: Path) -> None:
    with Workspace(tmp_path) as workspace:
        workspace.con.execute("set memory_limit = '60MB'; create temp table big as select range a from range(20000000)")
        assert any((workspace.folder / "pages").iterdir())

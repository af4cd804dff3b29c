"""`kill -9` while `ingest --to` writes tables: the earlier tables, the new ones, or one line that says what to do."""

from __future__ import annotations

import shutil
import signal
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from forked import Child, die
from records import exam, finding, send

from examtally.cli.app import main
from examtally.registry import open_registry
from examtally.registry.table_set import read_table_set, write_table_set

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX are sent")

EXAMS, SITES = 300, 4
OLD, NEW, UNFINISHED = "as they were", "as they are to be", "unfinished"
LEFT = {  # by moment: what is left where tables stood before, and where none did
    "1 file is there": (OLD, UNFINISHED),
    "9 files are there": (OLD, None),
    "files are summed": (OLD, None),
    "the manifest is to be written": (OLD, UNFINISHED),
    "earlier tables are to be set aside": (OLD, None),
    "new tables are to take their place": (UNFINISHED, None),
    "earlier tables are to be removed": (NEW, None),
    "earlier tables are half removed": (NEW, None),
}
CASES = [(moment, had_tables) for moment, left in LEFT.items() for had_tables in (True, False) if left[not had_tables]]
SAID = "writing these tables was stopped before its end; write them again: ingest --to"


@dataclass(frozen=True)
class Written:
    """A folder to be copied, the fingerprint of its tables, and that of its registry, which has had a batch since."""

    folder: Path
    old: str
    new: str


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Written:
    """A registry of several sites, and tables of what it held before its newest batch."""
    folder = tmp_path_factory.mktemp("tables") / "written"
    folder.mkdir()
    registry = folder / "registry.duckdb"
    hands = [{"examiner_id": f"EM-{n}", "role": "attending", "site_id": f"S-{n}"} for n in range(SITES)]
    exams = [exam(f"EX-{n}", examiner_id=f"EM-{n % SITES}", episode=n + 1) for n in range(EXAMS)]
    send(folder, registry, examiners=hands, exams=exams, findings=[finding(f"EX-{n}") for n in range(EXAMS)])
    old = write_table_set(registry, folder / "tables").fingerprint
    send(folder, registry, findings=[finding(f"EX-{n}", "lever_sign") for n in range(EXAMS)])
    shutil.rmtree(folder / "batch-0")
    with open_registry(registry) as opened:
        return Written(folder, old, opened.fingerprint())


def _write_and_die(folder: Path, moment: str) -> None:
    """Write the tables in this process, which ends at that moment."""
    if moment[0].isdigit():
        threading.Thread(target=_die_at_files, args=(folder, int(moment[0])), daemon=True).start()
    else:
        _die_at_a_call(moment)
    write_table_set(folder / "registry.duckdb", folder / "tables")


def _die_at_files(folder: Path, number: int) -> None:
    while len(list(folder.glob(".tables.*.part/**/*.parquet"))) < number:
        time.sleep(0)
    die()


def _die_at_a_call(moment: str) -> None:
    """End at what Python is about to do with a file: it tells its hooks of it."""
    seen = SimpleNamespace(moved=False, removed=0)

    def hear(event: str, told: tuple[Any, ...]) -> None:
        source, target = (str(told[place]) if len(told) > place else "" for place in (0, 1))
        takes_place = event == "os.rename" and source.endswith(".part") and target.endswith("/tables")
        seen.removed += seen.moved and event == "os.remove"
        if {
            "files are summed": event == "open" and ".part/" in source and source.endswith(".parquet"),
            "the manifest is to be written": event == "open" and source.endswith(".part/manifest.json"),
            "earlier tables are to be set aside": event == "os.rename" and target.endswith("/.tables.before"),
            "new tables are to take their place": takes_place,
            "earlier tables are to be removed": seen.moved and event == "shutil.rmtree",
            "earlier tables are half removed": event == "os.remove" and seen.removed == 3,
        }[moment]:
            die()
        seen.moved |= takes_place

    sys.addaudithook(hear)


@pytest.mark.parametrize(("moment", "had_tables"), CASES)
def test_tables_are_whole_or_unfinished_and_the_same_command_writes_them(
    written: Written,
    tmp_path: Path,
    moment: str,
    had_tables: bool,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    folder, tables = tmp_path / "tried", tmp_path / "tried" / "tables"
    shutil.copytree(written.folder, folder)
    if not had_tables:
        shutil.rmtree(tables)
    child = Child(_write_and_die, folder, moment)
    child.communicate()
    assert child.returncode == -signal.SIGKILL

    left = LEFT[moment][not had_tables]
    if left == UNFINISHED:
        monkeypatch.setattr("examtally.spark.records.find_spec", lambda _name: object())
        words = ["analyze", "--engine", "spark", "--records", str(tables), "--out", str(folder / "results")]
        assert main(words) == 4
        assert capsys.readouterr().err.splitlines()[-1].endswith(SAID)
        assert not (folder / "results").exists()
    else:
        assert read_table_set(tables).fingerprint == (written.old if left == OLD else written.new)

    registry = str(folder / "registry.duckdb")
    assert main(["ingest", str(folder / "batch-1"), "--registry", registry, "--to", str(tables)]) == 0
    assert read_table_set(tables).fingerprint == written.new
    assert sorted(path.name for path in folder.iterdir()) == ["batch-1", "registry.duckdb", "tables"]

"""Whatever stops an amendment, a withdrawal, the way back or a migration: the registry is as before or as after."""

from __future__ import annotations

import shutil
import signal
import sys
import time
from pathlib import Path

import duckdb
import kept_registry
import numpy as np
import pytest
from forked import Child
from leaks import find_leaks
from records import exam, send, state, write_csv

from examtally.cli.app import main
from examtally.ingestion import batch
from examtally.registry.undo import undo
from examtally.registry.verifying import verify

Kept = dict[str, tuple[Path, object, object]]
NAMED = {
    "amend": ("after insert findings", "before commit", "after commit"),
    "undo": ("before change", "after remove", "after change", "before replace", "after replace"),
    "erase": ("before erase superseded exams", "before commit", "before replace", "after replace"),
    "stop": ("before commit", "after commit"),
}
RANDOM = 2
STUDY = 200
COMPARED = {
    "log": "action, batch_no",
    "tombstones": "kind",
    "tombstone_key": "1",
    "batches": "batch_no",
    "fingerprints": """* replace (if("table" in ('batches', 'tombstones', 'tombstone_key'), '', total) as total)""",
}


def picture(registry: Path) -> tuple[object, ...]:
    """Everything a registry holds, but for the moments and the secret of a log and a key, and the sums over them."""
    with duckdb.connect(str(registry), read_only=True) as con:
        tables = con.execute("select schema_name, table_name from duckdb_tables() order by all").fetchall()
        found = []
        for schema, table in tables:
            query = f'select {COMPARED.get(table, "*")} from {schema}."{table}" order by all'
            found.append((schema, table, con.execute(query).fetchall()))
    return tuple(found)


def old_form(registry: Path) -> None:
    """Make a registry what it was before it kept replaced versions, when there were none."""
    undo(registry)
    with duckdb.connect(str(registry)) as con:
        con.execute("drop schema superseded cascade")
        for table in (
            "log",
            "fingerprints",
            "erased",
            "tombstones",
            "tombstone_key",
            "retried",
            "held_by",
            "catalogues",
        ):
            con.execute(f"drop table {table}")
        con.execute("delete from schema_version where version > 2")


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    """For each action a registry before it, and what it holds before and after."""
    folder = tmp_path_factory.mktemp("kept")
    made = kept_registry.make(folder)
    registries: Kept = {}
    for action in kept_registry.ACTIONS:
        before = Path(shutil.copy(made, folder / f"{action}.duckdb"))
        if action == "migrate":
            old_form(before)
        after = Path(shutil.copy(before, folder / f"{action}-after.duckdb"))
        printed, errors = kept_registry.start(action, after, folder / "again").communicate()
        assert (printed, errors) == ("armed\n", "")
        assert picture(before) != picture(after)
        registries[action] = (before, picture(before), picture(after))
    return registries


def _is_whole(registry: Path, action: str, before: object, after: object) -> bool:
    """Whether the registry is as before or after (True for after); sound in either case."""
    found = picture(registry)  # replays the log that a killed process left
    assert found in (before, after)
    if action != "migrate" or found == after:
        assert verify(registry).faults == ()
    return found == after


@pytest.mark.parametrize(
    ("action", "step"),
    [
        pytest.param(action, step, marks=[] if step in steps[-2:] else pytest.mark.study)
        for action, steps in NAMED.items()
        for step in steps
    ],
)
def test_killed_at_a_named_step(kept: Kept, tmp_path: Path, action: str, step: str) -> None:
    source, before, after = kept[action]
    registry = Path(shutil.copy(source, tmp_path / "registry.duckdb"))
    child = kept_registry.start(action, registry, source.with_name("again"), step)
    child.communicate()
    assert child.returncode == -signal.SIGKILL
    is_after = step == "after replace" or (step == "after commit" and action in {"amend", "stop"})
    assert _is_whole(registry, action, before, after) == is_after
    if is_after and action == "erase":
        assert find_leaks(["PT-257"], tmp_path) == []


def _random_moments(kept: Kept, folder: Path, moments: range) -> int:
    """Kill at random moments, each time another action; return how often the action was done."""
    done = 0
    for moment in moments:
        action = kept_registry.ACTIONS[moment % len(kept_registry.ACTIONS)]
        source, before, after = kept[action]
        registry = Path(shutil.copy(source, folder / f"{moment}.duckdb"))
        child = kept_registry.start(action, registry, source.with_name("again"))
        kept_registry.kill_after(child, float(np.random.default_rng([3, moment]).uniform(0, 1.0)))
        done += _is_whole(registry, action, before, after)
        registry.unlink()
    return done


def test_killed_at_random_moments(kept: Kept, tmp_path: Path) -> None:
    _random_moments(kept, tmp_path, range(RANDOM))


@pytest.mark.study
def test_killed_at_two_hundred_moments(kept: Kept, tmp_path: Path) -> None:
    start = time.perf_counter()
    done = _random_moments(kept, tmp_path, range(STUDY))
    print(f"{STUDY} kills, {done} after the action was done; {time.perf_counter() - start:.0f} s")
    assert 0 < done < STUDY


@pytest.mark.parametrize(
    ("action", "share"),
    [
        pytest.param(action, share, marks=[] if share == often else pytest.mark.study)
        for action, often in (("amend", 0.3), ("undo", 0.9), ("erase", 0.3))
        for share in (0.3, 0.9)
    ],
)
def test_no_room_left_on_disk(kept: Kept, tmp_path: Path, action: str, share: float) -> None:
    source, before, after = kept[action]
    registry = Path(shutil.copy(source, tmp_path / "registry.duckdb"))
    limit = int(share * source.stat().st_size) if action != "amend" else source.stat().st_size + int(share * 40_000)
    printed, errors = kept_registry.start(action, registry, source.with_name("again"), limit=limit).communicate()
    assert errors == ""
    lines = printed.splitlines()[1:]
    assert len(lines) <= 1
    is_after = _is_whole(registry, action, before, after)
    assert lines or is_after
    if lines:
        assert "free some" in lines[0]
        assert "PT-" not in lines[0]


def in_child(*command: str) -> None:
    """A command without the second engine."""
    batch.examine = lambda *_: ()  # type: ignore[assignment]
    sys.exit(main(list(command)))


def hold(registry: Path, release: Path) -> None:
    """Keep the registry locked until a file is there."""
    with duckdb.connect(str(registry)):
        print("held", flush=True)
        while not release.exists():
            time.sleep(0.02)


def test_two_ingest_and_one_analyzes_at_once(kept: Kept, tmp_path: Path) -> None:
    """Whoever must wait says so in one line, and all of them end well."""
    registry = Path(shutil.copy(kept["amend"][0], tmp_path / "registry.duckdb"))
    commands = []
    for number in (1, 2):
        rows = [exam(f"EX-{number}-{n}", participant_id="PT-257", exam_day=n) for n in range(200)]
        path = write_csv(tmp_path / f"exams-{number}.csv", rows)
        commands.append(["ingest", str(path), "--registry", str(registry), "--wait", "60"])
    wanted = ["--out", str(tmp_path / "results"), "--only", "flow", "--wait", "60"]
    commands.append(["analyze", "--registry", str(registry), *wanted])
    children = [Child(in_child, *command) for command in commands]
    for child in children:
        _, errors = child.communicate()
        assert child.returncode == 0, errors
        assert sum(line.startswith("waiting up to 60 s") for line in errors.splitlines()) <= 2
    assert verify(registry).faults == ()
    assert len(state(registry)["exams"]) == kept_registry.EXAMS + 400


def test_a_locked_registry_is_told_or_waited_for(kept: Kept, tmp_path: Path) -> None:
    registry = Path(shutil.copy(kept["amend"][0], tmp_path / "registry.duckdb"))
    holder = Child(hold, registry, tmp_path / "enough")
    assert holder.stdout.readline() == "held\n"
    command = ("verify", "--registry", str(registry))
    refused = Child(in_child, *command)
    _, said = refused.communicate()
    assert refused.returncode == 5
    assert said.count("\n") == 1
    waiting = Child(in_child, *command, "--wait", "60")
    assert waiting.stderr.readline().startswith("waiting up to 60 s: ")
    (tmp_path / "enough").touch()
    holder.communicate()
    assert waiting.communicate()[1] == ""
    assert waiting.returncode == 0


def test_a_registry_of_the_older_form_goes_on(kept: Kept, tmp_path: Path) -> None:
    registry = Path(shutil.copy(kept["migrate"][0], tmp_path / "registry.duckdb"))
    assert send(tmp_path, registry, exams=[exam("EX-NEW1", participant_id="PT-257")]).batch_no == 2
    assert verify(registry).faults == ()
    assert any(row == ("migrate", None) for name in picture(registry) if name[1] == "log" for row in name[2])  # type: ignore[index]

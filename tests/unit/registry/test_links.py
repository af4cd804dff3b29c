"""Erase, undo, retry and ingest through links and odd files: the file itself is changed, or nothing and it is said."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from leaks import find_leaks
from records import exam, send, state

from examtally.errors import ExamtallyError, RegistryError
from examtally.ingestion import check
from examtally.registry.audit_entry import note_use
from examtally.registry.registry import open_registry
from examtally.registry.undo import undo
from examtally.registry.verifying import verify
from examtally.registry.withdrawal import withdraw

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="links and pipes of POSIX are made")
CHANGES: dict[str, Callable[[Path], object]] = {
    "erase": lambda path: withdraw(path, "PT-77", erase=True),
    "stop": lambda path: withdraw(path, "PT-77", erase=False),
    "undo": undo,
    "note": lambda path: note_use(path, "release"),
}


@pytest.fixture(scope="module")
def two_batches(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A registry whose second batch speaks of PT-77."""
    folder = tmp_path_factory.mktemp("made")
    path = folder / "registry.duckdb"
    send(folder, path, participants=[{"participant_id": "PT-1"}], exams=[exam("EX-1")])
    send(folder, path, participants=[{"participant_id": "PT-77"}], exams=[exam("EX-77", participant_id="PT-77")])
    return path


@pytest.fixture
def registry(two_batches: Path, tmp_path: Path) -> Path:
    """A copy of each test's own, in a folder of its own."""
    (tmp_path / "store").mkdir()
    return Path(shutil.copy(two_batches, tmp_path / "store"))


@pytest.fixture(params=["file", "folder"])
def link(request: pytest.FixtureRequest, tmp_path: Path, registry: Path) -> Path:
    """Another way to the registry: a link to the file, or to its folder."""
    if request.param == "file":
        (tmp_path / "elsewhere").mkdir()
        path = tmp_path / "elsewhere" / "link.duckdb"
        path.symlink_to(registry)
        return path
    (tmp_path / "door").symlink_to(registry.parent)
    return tmp_path / "door" / registry.name


@pytest.mark.parametrize("change", ["erase", "undo"])
def test_what_is_taken_out_through_a_link_is_out_of_the_file_itself(
    change: str, tmp_path: Path, registry: Path, link: Path
) -> None:
    assert find_leaks(["PT-77"], registry)
    CHANGES[change](link)
    assert find_leaks(["PT-77"], tmp_path / "store") == []
    assert link.is_symlink() or link.parent.is_symlink()
    assert link.resolve() == registry
    assert state(link) == state(registry)
    assert verify(link).faults == ()


def test_a_batch_through_a_link_lies_with_its_log_beside_the_file(tmp_path: Path, registry: Path, link: Path) -> None:
    assert send(tmp_path, link, exams=[exam("EX-3")]).batch_no == 3
    assert sorted(path.name for path in registry.parent.iterdir()) == ["registry.duckdb"]
    assert "EX-3" in {row[0] for row in state(registry)["exams"]}


def test_a_link_that_leads_nowhere_yet_is_where_the_registry_is_made(tmp_path: Path) -> None:
    link = tmp_path / "link.duckdb"
    link.symlink_to(tmp_path / "new.duckdb")
    send(tmp_path, link, exams=[exam("EX-1")])
    assert verify(tmp_path / "new.duckdb").rows > 0


@pytest.mark.parametrize("change", CHANGES)
def test_a_file_with_a_second_name_is_not_changed(change: str, tmp_path: Path, registry: Path) -> None:
    os.link(registry, tmp_path / "second.duckdb")
    before = state(registry)
    with pytest.raises(RegistryError, match=r"has 2 names on this disk \(hard links\).*nothing was changed"):
        CHANGES[change](registry)
    with pytest.raises(RegistryError, match="has 2 names"):
        send(tmp_path, registry, exams=[exam("EX-9")])
    assert state(registry) == before
    assert sorted(path.name for path in registry.parent.iterdir()) == ["registry.duckdb"]


@pytest.mark.parametrize("change", CHANGES)
def test_links_in_a_ring_and_pipes_are_told(change: str, tmp_path: Path) -> None:
    ring, pipe = tmp_path / "ring.duckdb", tmp_path / "pipe.duckdb"
    ring.symlink_to(ring)
    os.mkfifo(pipe)
    for path, words in (
        (ring, "a link that leads to itself"),
        (pipe, "a device or a pipe"),
        (Path("/dev/null"), "a device"),
    ):
        with pytest.raises(RegistryError, match=words):
            CHANGES[change](path)
        with pytest.raises(RegistryError, match=words):
            open_registry(path)
        with pytest.raises(ExamtallyError, match=words):
            check([tmp_path], path)


def test_a_file_that_may_not_be_replaced_keeps_its_records_and_says_so(
    registry: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = state(registry)

    def refuse(self: Path, _target: Path) -> None:
        raise PermissionError(1, "Operation not permitted", str(self))

    monkeypatch.setattr(Path, "replace", refuse)
    for change in ("erase", "undo"):
        with pytest.raises(RegistryError, match=r"cannot be replaced.*nothing was changed"):
            CHANGES[change](registry)
    assert state(registry) == before
    assert verify(registry).faults == ()


@pytest.mark.parametrize("change", ["erase", "undo"])
def test_in_a_folder_that_may_not_be_written_nothing_is_done(
    change: str, registry: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, real = state(registry), os.access
    monkeypatch.setattr(os, "access", lambda path, mode: mode != os.W_OK and real(path, mode))
    with pytest.raises(RegistryError, match="may not be written by this user"):
        CHANGES[change](registry)
    monkeypatch.undo()
    assert state(registry) == before

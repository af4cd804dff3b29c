"""Files and folders put in place whole: a writer that is stopped leaves what was there, and nothing of its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from examtally.files import put_in_place, whole_file, write_whole
from examtally.registry.scratch import new_folder


def _write_and_stop(path: Path) -> None:
    path.write_text("half", encoding="utf-8")
    raise KeyboardInterrupt


def test_a_file_is_there_whole_or_as_it_was(tmp_path: Path) -> None:
    path = write_whole(tmp_path / "page.txt", "first ä\n")
    with pytest.raises(KeyboardInterrupt), whole_file(path) as part:
        _write_and_stop(part)
    assert path.read_text(encoding="utf-8") == "first ä\n"
    assert list(tmp_path.iterdir()) == [path]
    assert path.stat().st_mode & 0o077 == 0
    with pytest.raises(FileExistsError):
        write_whole(path, "second", is_new=True)
    assert path.read_text(encoding="utf-8") == "first ä\n"
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_is_there_whole_or_not_at_all(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with pytest.raises(KeyboardInterrupt), new_folder(out) as folder:
        _write_and_stop(folder / "a")
    assert list(tmp_path.iterdir()) == []
    out.mkdir()
    with new_folder(out) as folder:
        (folder / "a").write_text("whole", encoding="utf-8")
    assert [path.name for path in out.iterdir()] == ["a"]
    assert list(tmp_path.iterdir()) == [out]


def test_an_earlier_folder_stands_again_where_the_new_one_cannot_take_its_place(tmp_path: Path) -> None:
    target = tmp_path / "out"
    target.mkdir()
    (target / "a").touch()
    with pytest.raises(FileNotFoundError):
        put_in_place(tmp_path / "missing", target, tmp_path / "before")
    assert (target / "a").exists()

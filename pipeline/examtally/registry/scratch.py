"""Folders for work under way, private to their owner: gone when the work ends, or at the next start if it was killed.

A folder is held by a lock on a file in it, which the system lets go of when its process is gone, however it went.
"""

from __future__ import annotations

import os
import secrets
import shutil
import sys
import tempfile
import weakref
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from examtally.files import private_files

if sys.platform == "win32":
    import msvcrt

    def _lock(descriptor: int) -> None:
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def own(path: Path) -> int:
    """Lock `path`, made where missing, and return the descriptor that holds the lock until it is closed.

    Raises OSError where another process holds it or the folder is gone.
    """
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        _lock(descriptor)
    except OSError:
        os.close(descriptor)
        raise
    return descriptor


_PREFIX = "examtally-spill-"  # not hidden: Quarto passes over what lies in a hidden folder
_OWNER = "owner"


class SpillFolder:
    """A folder of mode 0700 in `parent`, or in the system's temporary folder where `parent` cannot be written.

    What processes that are gone have left in either is removed first.
    """

    def __init__(self, parent: Path | None) -> None:
        shared = Path(tempfile.gettempdir())
        place = parent if parent is not None and os.access(parent, os.W_OK) else shared
        for left in {place, shared}:
            remove_abandoned(left)
        while True:
            held: list[int] = []
            self.path = place / f"{_PREFIX}{secrets.token_hex(8)}"
            self.close = weakref.finalize(self, _remove, self.path, held)  # before it is there: Ctrl-C leaves nothing
            if _is_claimed(self.path, held):
                break
            self.close()


def remove_abandoned(parent: Path) -> int:
    """Remove the spill folders in `parent` whose process is gone; return how many there were."""
    removed = 0
    for folder in parent.glob(f"{_PREFIX}*"):
        try:
            descriptor = own(folder / _OWNER)
        except OSError:
            continue
        _remove(folder, [descriptor])
        removed += 1
    return removed


def _is_claimed(folder: Path, held: list[int]) -> bool:
    """Make and lock a folder; False where another process took it for abandoned before the lock was held."""
    folder.mkdir(mode=0o700)
    try:
        held[:] = [own(folder / _OWNER)]
    except OSError:
        return False
    return (folder / _OWNER).exists()


def _remove(folder: Path, held: list[int]) -> None:
    """Remove a folder while its lock is held, and after that what Ctrl-C, or a system that keeps open files, leaves."""
    try:
        shutil.rmtree(folder, ignore_errors=True)
    finally:
        for descriptor in held:
            os.close(descriptor)
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def scratch(parent: Path | None = None) -> Iterator[Path]:
    """A new folder inside such a folder, for as long as the block lasts; what is to be kept is moved out of it."""
    folder = SpillFolder(parent)
    try:
        inside = folder.path / "inside"
        inside.mkdir(mode=0o700)
        yield inside
    finally:
        folder.close()


@contextmanager
def new_folder(out: Path) -> Iterator[Path]:
    """A folder to fill, which becomes `out`, not there yet or empty, when the block ends; nothing of it stays else."""
    with private_files():
        out.parent.mkdir(parents=True, exist_ok=True)
        with scratch(out.parent) as inside:
            yield inside
            if out.exists():
                out.rmdir()
            inside.replace(out)

"""A private folder for what DuckDB spills to disk: spilled pages hold raw records and outlive a killed process.

The folder belongs to one process, which holds a lock on it. It is removed when that process ends; one left behind by
a process that was killed carries no lock any more and is removed by the next process that works beside it.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import weakref
from pathlib import Path

from examtally.registry.ownership import own

_PREFIX = ".examtally-spill-"
_OWNER = "owner"


class SpillFolder:
    """A folder of mode 0700 in `parent`, or in the system's temporary folder where `parent` cannot be written."""

    def __init__(self, parent: Path | None) -> None:
        place = parent if parent is not None and os.access(parent, os.W_OK) else Path(tempfile.gettempdir())
        remove_abandoned(place)
        self.path, descriptor = _claim(place)
        self.close = weakref.finalize(self, _remove, self.path, descriptor)


def remove_abandoned(parent: Path) -> int:
    """Remove the spill folders in `parent` whose process is gone; return how many there were."""
    removed = 0
    for folder in parent.glob(f"{_PREFIX}*"):
        try:
            descriptor = own(folder / _OWNER)
        except OSError:
            continue
        _remove(folder, descriptor)
        removed += 1
    return removed


def _claim(parent: Path) -> tuple[Path, int]:
    """Make and lock a folder; another process may take it for abandoned before the lock is held, so look again."""
    while True:
        folder = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=parent))
        try:
            descriptor = own(folder / _OWNER)
        except OSError:
            continue
        if (folder / _OWNER).exists():
            return folder, descriptor
        os.close(descriptor)


def _remove(folder: Path, descriptor: int) -> None:
    """Remove a folder while its lock is held, and what a system that keeps open files leaves of it after."""
    shutil.rmtree(folder, ignore_errors=True)
    os.close(descriptor)
    shutil.rmtree(folder, ignore_errors=True)

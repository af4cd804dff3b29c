"""A lock on a file that lasts as long as the process that took it, on every system this runs on."""

from __future__ import annotations

import os
import sys
from pathlib import Path

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

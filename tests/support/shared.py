"""A folder that all processes of one test run share: one makes it, the others wait."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

PATIENCE = 300.0


def shared_folder(parent: Path, name: str, make: Callable[[Path], None]) -> Path:
    """Return `parent`/`name`, made by whichever process comes first; RuntimeError where that one failed."""
    root, done, failed = (parent / f"{name}{end}" for end in ("", ".done", ".failed"))
    try:
        os.close(os.open(parent / f"{name}.begun", os.O_CREAT | os.O_EXCL))
    except FileExistsError:
        until = time.monotonic() + PATIENCE
        while not done.exists():
            if failed.exists() or time.monotonic() > until:
                raise RuntimeError(f"the folder {name} was not made by the process that began it") from None
            time.sleep(0.1)
        return root
    try:
        root.mkdir(exist_ok=True)
        make(root)
    except BaseException:
        failed.touch()
        raise
    done.touch()
    return root

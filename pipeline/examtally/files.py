"""Files and folders put in place whole: written beside their place, for their owner only, and moved there in one step.

Whoever stops the writer, by Ctrl-C or otherwise, finds what was there before or what is new, and no half of either.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path


@contextlib.contextmanager
def private_files() -> Iterator[None]:
    """New files of this process are readable by their owner only."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


@contextlib.contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A name beside `path` to write to; what stands there when the block ends becomes `path`, in place of an earlier.

    Raises OSError where that is not possible; nothing is left then.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        with private_files():
            yield part
        part.replace(path)
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def write_whole(path: Path, text: str, *, is_new: bool = False) -> Path:
    """Write a file of UTF-8 text whole and return it; raises OSError, and FileExistsError where it should be new."""
    with whole_file(path) as part:
        with part.open("w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        if is_new and path.exists():
            raise FileExistsError
    return path


def put_in_place(fresh: Path, target: Path, before: Path) -> None:
    """Give a finished folder its name; one of that name goes to `before`, and stands again where that is stopped."""
    try:
        if target.exists():
            target.rename(before)
        fresh.rename(target)
    except BaseException:
        if before.exists() and not target.exists():
            before.rename(target)
        raise

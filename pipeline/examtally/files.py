"""Files and folders put in place whole: written beside their place, for their owner only, and moved there in one step.

Whoever stops the writer, by Ctrl-C or otherwise, finds what was there before or what is new, and no half of either.
"""

from __future__ import annotations

import contextlib
import glob
import os
import shutil
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


@contextlib.contextmanager
def whole_folder(out: Path) -> Iterator[Path]:
    """A new folder beside `out`, which takes its place, and that of an earlier one, when the block ends.

    What a process that was killed left there is mended first. Raises OSError where that is not possible.
    """
    _recover(out)
    out.parent.mkdir(parents=True, exist_ok=True)
    fresh = out.with_name(f".{out.name}.{os.getpid()}.part")
    before = _set_aside(out)
    with private_files():
        shutil.rmtree(fresh, ignore_errors=True)
        fresh.mkdir()
        try:
            yield fresh
            put_in_place(fresh, out, before)
        finally:
            shutil.rmtree(fresh, ignore_errors=True)
    shutil.rmtree(before, ignore_errors=True)


def is_unfinished(out: Path) -> bool:
    """Whether there is no folder `out` yet and a process that wrote it, or writes it, has left some of it beside."""
    return not out.exists() and (_set_aside(out).exists() or any(_parts(out)))


def _recover(out: Path) -> None:
    """Mend what a process that was killed left behind: an earlier folder set aside, and unfinished ones."""
    before = _set_aside(out)
    if before.exists() and not out.exists():
        before.rename(out)
    shutil.rmtree(before, ignore_errors=True)
    for left in _parts(out):
        if not _is_running(left.name.split(".")[-2]):
            shutil.rmtree(left, ignore_errors=True)


def _set_aside(out: Path) -> Path:
    return out.with_name(f".{out.name}.before")


def _parts(out: Path) -> Iterator[Path]:
    return out.parent.glob(f".{glob.escape(out.name)}.*.part")


def _is_running(process: str) -> bool:
    try:
        os.kill(int(process), 0)
    except (ProcessLookupError, ValueError):
        return False
    except PermissionError:
        return True
    return True

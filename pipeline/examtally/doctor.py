"""What is installed here, what others could read, and whether there is room: everything a maintainer asks first.

Programs are looked up on PATH and asked for their version; every command that was run is told. Nothing is changed.
"""

from __future__ import annotations

import os
import platform
import shutil
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, requires, version
from importlib.util import find_spec
from pathlib import Path
from typing import Literal

from packaging.requirements import Requirement

from examtally.fonts import FILES

State = Literal["ok", "absent", "fault"]
Kind = Literal["package", "program", "font", "private", "disk"]

LEAST_FREE_GB = 1.0
"""A results folder, its pages and the temporary files of an ingest of 200,000 exams fit into this."""

_SECONDS = 20
_KEY_MARK = b'"examtally site key"'
_KEY_BYTES = 4096


@dataclass(frozen=True)
class Check:
    """One thing looked at. `absent` is no fault: a program that only some pages or tests need. `ran` is a command."""

    kind: Kind
    name: str
    state: State
    says: str
    ran: str = ""


@dataclass(frozen=True)
class _Program:
    name: str
    commands: tuple[str, ...]
    asks: tuple[str, ...]
    use: str


_PROGRAMS = (
    _Program("Quarto", ("quarto",), ("--version",), "reports are made with it, and without it too"),
    _Program("Java", ("java",), ("-version",), "only for Spark"),
    _Program("Chromium", ("chromium", "chromium-browser", "google-chrome"), ("--version",), "only for tests of pages"),
    _Program("poppler", ("pdftoppm",), ("-v",), "only for tests of PDF pages"),
    _Program("LibreOffice", ("soffice",), ("--version",), "only for tests of DOCX pages"),
)


def examine(
    *, registry: Path | None = None, results: Path | None = None, key: Path | None = None, folder: Path = Path()
) -> tuple[Check, ...]:
    """Look at this installation and at the registry, results folder and key named, or those found in `folder`."""
    named = [path for path in (registry, results, key) if path is not None]
    places = {path.resolve().parent for path in named} or {folder.resolve()}
    return (
        *_packages(),
        *map(_program, _PROGRAMS),
        _pandoc(),
        *_fonts(),
        *(_privacy(path) for path in (named or _found(folder))),
        *(_room(place) for place in sorted(places | {Path(tempfile.gettempdir()).resolve()})),
    )


def _packages() -> Iterator[Check]:
    yield Check("package", "Python", "ok", f"{platform.python_version()} at {sys.executable}")
    yield Check("package", "examtally", "ok", version("examtally"))
    for line in requires("examtally") or ():
        needed = Requirement(line)
        if needed.marker is not None and not needed.marker.evaluate({"extra": ""}):
            continue
        try:
            found = version(needed.name)
        except PackageNotFoundError:
            yield Check("package", needed.name, "fault", f"is not installed; examtally needs {needed.specifier}")
            continue
        if needed.specifier.contains(found, prereleases=True):
            yield Check("package", needed.name, "ok", found)
        else:
            yield Check("package", needed.name, "fault", f"{found} is installed; examtally needs {needed.specifier}")


def _program(program: _Program) -> Check:
    found = next((path for name in program.commands if (path := shutil.which(name))), None)
    if found is None:
        return Check("program", program.name, "absent", f"is not on PATH; {program.use}")
    return _asked(program.name, [found, *program.asks], program.use)


def _pandoc() -> Check:
    """The pandoc that comes with a package; one on PATH is never run."""
    spec = find_spec("pypandoc")
    name = "pandoc.exe" if sys.platform == "win32" else "pandoc"
    path = Path(spec.origin).parent / "files" / name if spec is not None and spec.origin else None
    if path is None or not path.is_file():
        return Check("program", "pandoc", "fault", "is missing; reinstall pypandoc-binary, which brings it")
    return _asked("pandoc", [str(path), "--version"], "comes with pypandoc-binary")


def _asked(name: str, command: Sequence[str], use: str) -> Check:
    """Run a program once to ask for its version, which is the first line that it prints."""
    ran = " ".join(command)
    try:
        done = subprocess.run(command, capture_output=True, text=True, errors="replace", timeout=_SECONDS, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return Check("program", name, "fault", f"does not answer; {use}", ran)
    said = next((line.strip() for line in (done.stdout + done.stderr).splitlines() if line.strip()), "")
    if done.returncode != 0 or not said:
        return Check("program", name, "fault", f"ends with code {done.returncode}; {use}", ran)
    return Check("program", name, "ok", f"{said}; {use}", ran)


def _fonts() -> Iterator[Check]:
    """The font files of every page and figure, which come with matplotlib."""
    spec = find_spec("matplotlib")
    folder = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf" if spec is not None and spec.origin else Path()
    for name in FILES:
        if (folder / name).is_file():
            yield Check("font", name, "ok", f"in {folder}")
        else:
            yield Check("font", name, "fault", "is missing; reinstall matplotlib, which brings it")


def _found(folder: Path) -> Iterator[Path]:
    """Registries, results folders and site keys that lie in a folder."""
    for path in sorted(folder.iterdir()):
        if path.name.startswith("."):
            continue
        if path.is_dir():
            if (path / "manifest.json").is_file():
                yield path
        elif path.is_file() and (path.suffix == ".duckdb" or _is_key(path)):
            yield path


def _is_key(path: Path) -> bool:
    try:
        if path.stat().st_size > _KEY_BYTES:
            return False
        return _KEY_MARK in path.read_bytes()
    except OSError:
        return False


def _privacy(path: Path) -> Check:
    """Whether other people of this machine can read a file, or any file of a folder."""
    if sys.platform == "win32":
        return Check("private", str(path), "absent", "is not looked at: on Windows ask for its properties, Security")
    if not path.exists():
        return Check("private", str(path), "fault", "is not there; name what exists")
    files = [inner for inner in path.rglob("*") if inner.is_file()] if path.is_dir() else [path]
    readers = {reader for file in files for reader in _readers(file.resolve())}
    if not readers:
        return Check("private", str(path), "ok", "only its owner can read it")
    mend = f"chmod -R go-rwx {path}" if path.is_dir() else f"chmod go-rwx {path}"
    return Check("private", str(path), "fault", f"{' and '.join(sorted(readers))} can read it; run: {mend}")


def _readers(file: Path) -> Iterator[str]:
    """Who beside the owner can read a file: it and every folder above it must let them."""
    above = [folder.stat().st_mode for folder in file.parents]
    mode = file.stat().st_mode
    if mode & stat.S_IROTH and all(one & stat.S_IXOTH for one in above):
        yield "everybody on this machine"
    elif mode & stat.S_IRGRP and all(one & (stat.S_IXGRP | stat.S_IXOTH) for one in above):
        yield "its group"


def _room(place: Path) -> Check:
    while not place.exists():
        place = place.parent
    free = shutil.disk_usage(place).free / 1e9
    writable = os.access(place, os.W_OK)
    if free < LEAST_FREE_GB or not writable:
        why = f"{free:.1f} GB free; free at least {LEAST_FREE_GB:.0f} GB" if writable else "may not be written by you"
        return Check("disk", str(place), "fault", why)
    return Check("disk", str(place), "ok", f"{free:.1f} GB free")

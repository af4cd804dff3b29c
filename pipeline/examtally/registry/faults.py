"""What DuckDB says of a registry file, in one plain line. Its own messages may quote records and are never shown."""

from __future__ import annotations

import re
from pathlib import Path

import duckdb

from examtally.errors import RegistryError, RegistryLocked

_HOLDER = re.compile(r"held in (?P<program>.+?) \(PID (?P<process>\d+)\)(?: by user (?P<user>\S+?))?[.,\s]")
_UNREADABLE = "is not a registry, or is damaged; name the registry file, or restore it from a copy"
_FULL = ("no space left", "file too large", "disk quota", "could not write", "failed to write")


def opening_fault(error: duckdb.Error, path: Path) -> RegistryError:
    """Return what to raise where `path` cannot be attached."""
    text = str(error)
    if isinstance(error, duckdb.ResourceInUseException):
        return RegistryLocked(f"{path}: this program already has the registry open; close it there first")
    if "Could not set lock" in text:
        return RegistryLocked(f"{path}: {_holder(text)} holds the registry; wait until it has finished, then repeat")
    if "Permission denied" in text:
        return RegistryError(f"{path} may not be opened by this user; ask its owner for permission")
    if "Read-only file system" in text:
        return RegistryError(f"{path} lies on a read-only file system and cannot be written")
    return RegistryError(f"{path} {_UNREADABLE}")


def is_full(error: duckdb.Error) -> bool:
    """Whether no room was left, on disk or in memory."""
    return isinstance(error, duckdb.OutOfMemoryException) or any(words in str(error).lower() for words in _FULL)


def writing_fault(error: duckdb.Error, where: Path | str) -> RegistryError:
    """Return what to raise where the database failed before anything was committed."""
    if is_full(error):
        return RegistryError(
            f"{where}: no room is left on disk or in memory; free some, then repeat; nothing was stored"
        )
    return RegistryError(f"{where}: the database failed ({type(error).__name__}); nothing was stored")


def unreadable(path: Path) -> RegistryError:
    """Return what to raise where `path` is a file, but no registry."""
    return RegistryError(f"{path} {_UNREADABLE}")


def _holder(text: str) -> str:
    found = _HOLDER.search(text)
    if found is None:
        return "another program"
    user = f", user {found['user']}" if found["user"] else ""
    return f"another program ({Path(found['program']).name}, process {found['process']}{user})"

"""A word-processor document as a zip archive: the same text gives the same bytes."""

from __future__ import annotations

import zipfile
from pathlib import Path

_LONG_AGO = (1980, 1, 1, 0, 0, 0)


def same_bytes(path: Path) -> None:
    """Rewrite the archive at `path` with its parts in order of name and no clock in it."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in sorted(parts, key=lambda name: (name != "[Content_Types].xml", name)):
            entry = zipfile.ZipInfo(name, _LONG_AGO)
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, parts[name])

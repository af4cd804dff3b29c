"""The settings file of a group: where its registry, sources and pages are, so that a command need not be told.

`examtally.toml` stands in the group's folder and is found from the working folder upwards. Paths in it are read from
the folder that holds it. It never names a site key: who may de-identify is no setting.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

from examtally.contracts.checks import nearest
from examtally.errors import ContractError

SETTINGS_FILE = "examtally.toml"
_PATHS = ("registry", "protocol", "catalogue", "synonyms", "results", "reports")
_TEXTS = ("operator",)
_OF_SOURCE = ("files", "mapping")


@dataclass(frozen=True)
class FeedSource:
    """One source of records: the patterns of its files, and the mapping that reads them; None for our own form."""

    name: str
    files: tuple[str, ...]
    mapping: Path | None

    def found(self, folder: Path) -> list[Path]:
        """Return the files and folders that its patterns name now, in order; patterns are read from `folder`."""
        paths: dict[Path, None] = {}
        for pattern in self.files:
            inside = folder / pattern
            anchor = Path(inside.anchor)
            matched = [inside] if inside.exists() else sorted(anchor.glob(str(inside.relative_to(anchor))))
            for path in matched:
                entries = sorted(path.iterdir()) if path.is_dir() else [path]
                paths.update(dict.fromkeys(entry for entry in entries if entry.is_file() and entry.name[0] != "."))
        return list(paths)


@dataclass(frozen=True)
class Settings:
    """What a group has set; `folder` holds the file. What it does not say is None."""

    folder: Path
    registry: Path | None = None
    protocol: Path | None = None
    catalogue: Path | None = None
    synonyms: Path | None = None
    results: Path | None = None
    reports: Path | None = None
    operator: str | None = None
    sources: Mapping[str, FeedSource] = field(default_factory=lambda: MappingProxyType({}))


def find_settings(start: Path) -> Settings | None:
    """Return the settings of the nearest file in `start` or above it, None where there is none."""
    for folder in (start, *start.parents):
        path = folder / SETTINGS_FILE
        if path.is_file():
            return read_settings(path)
    return None


def read_settings(path: Path) -> Settings:
    """Read a settings file; raises ContractError with one line a fault."""
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError):
        raise ContractError(f"{SETTINGS_FILE} cannot be read; save it as UTF-8 text") from None
    except tomllib.TOMLDecodeError as fault:
        raise ContractError(
            f"{SETTINGS_FILE} is not TOML ({fault}); write lines such as registry = 'r.duckdb'"
        ) from None
    faults: list[str] = []
    _check_keys(content, (*_PATHS, *_TEXTS, "sources"), "", faults)
    texts = {name: _text(content, name, "", faults) for name in (*_PATHS, *_TEXTS)}
    declared = content.get("sources", {})
    if not isinstance(declared, dict) or not all(isinstance(one, dict) for one in declared.values()):
        faults.append("sources: is no table; write [sources.visits] with `files` and `mapping` below it")
        declared = {}
    sources = {name: _source(name, one, path.parent, faults) for name, one in declared.items()}
    if faults:
        raise ContractError("\n".join(f"{SETTINGS_FILE}: {fault}" for fault in faults))
    paths = {name: None if (text := texts[name]) is None else path.parent / text for name in _PATHS}
    return Settings(path.parent, **paths, operator=texts["operator"], sources=MappingProxyType(sources))


def _source(name: str, content: dict[str, Any], folder: Path, faults: list[str]) -> FeedSource:
    where = f"sources.{name}."
    _check_keys(content, _OF_SOURCE, where, faults)
    files = content.get("files", [])
    patterns = [files] if isinstance(files, str) else files
    if not name.isprintable():
        faults.append("sources: a name holds signs that are not seen; name a source in plain words")
    if not isinstance(patterns, list) or not patterns or not all(map(_is_text, patterns)):
        faults.append(f"{where}files: lacks the files of this source; write a pattern such as 'inbox/visits*.csv'")
        patterns = []
    mapping = _text(content, "mapping", where, faults)
    return FeedSource(name, tuple(patterns), folder / mapping if mapping else None)


def _check_keys(content: Mapping[str, Any], legal: tuple[str, ...], where: str, faults: list[str]) -> None:
    for key in content:
        if key == "key":
            faults.append(f"{where}key: a site key is never kept in settings; remove the line, and name it with --key")
        elif key not in legal:
            faults.append(f"{where}{key}: unknown key; {nearest(key, legal)}")


def _text(content: Mapping[str, Any], key: str, where: str, faults: list[str]) -> str | None:
    value = content.get(key)
    if value is not None and not _is_text(value):
        faults.append(f"{where}{key}: is no text, or holds signs that are not seen; write it in quotation marks")
        return None
    return value


def _is_text(value: object) -> bool:
    return isinstance(value, str) and bool(value.strip()) and value.isprintable()

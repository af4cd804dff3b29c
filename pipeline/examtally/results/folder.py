"""The results folder: written beside and put in place as a whole, read back against its manifest.

`manifest.json` and a Parquet and a CSV file a table; rows about persons in `examiners/`, which only its owner may
enter and which has a manifest of its own, so that the rest is the same with and without it.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path

import polars as pl

from examtally.contracts.results import conform, result_tables
from examtally.errors import ResultsError
from examtally.files import whole_folder
from examtally.results.manifest import MANIFEST, Manifest, is_results_folder, read_manifest
from examtally.results.results import Provenance, Results, split_persons
from examtally.results.tablefile import FORMS, file_sha256, read_table, write_table

EXAMINERS = "examiners"
FURTHER = ("study.json",)
_OWNER_ONLY = 0o700
_READ: ContextVar[dict[tuple[bytes, ...], Results] | None] = ContextVar("results read so far", default=None)


def write_folder(results: Results, out: Path, beside: Mapping[str, str] | None = None) -> Path:
    """Write `results` at `out`, in place of an earlier results folder; all of it or nothing.

    `beside` holds the text of further files by name, of those in FURTHER.
    Raises ResultsError where `out` is something else than a results folder or cannot be written.
    """
    out = out.resolve()
    try:
        check_replaceable(out)
        with whole_folder(out) as fresh:
            for name, text in (beside or {}).items():
                (fresh / name).write_text(text, encoding="utf-8")
            _write_all(results, fresh, {name: file_sha256(fresh / name) for name in beside or {}})
    except OSError as fault:
        why = fault.strerror or "no room, or not allowed"
        raise ResultsError(f"the results folder cannot be written: {why}; name another with --out") from None
    return out


def read_results(folder: Path | str) -> Results:
    """Read a results folder, with the rows about persons where they are there and may be read.

    Raises ResultsError where the folder is none, or a file is missing or was changed after the analysis.

        et.read_results("results").accuracy
    """
    folder = Path(folder)
    known = _READ.get()
    if known is None:
        return _read(folder)
    found = tuple(path.read_bytes() for path in (folder / MANIFEST, folder / EXAMINERS / MANIFEST) if path.is_file())
    if found not in known:
        known[found] = _read(folder)
    return known[found]


@contextmanager
def read_once() -> Iterator[None]:
    """While it lasts results are read and checked once: a report is made in copies of the folder that was checked."""
    token = _READ.set({})
    try:
        yield
    finally:
        _READ.reset(token)


def _read(folder: Path) -> Results:
    provenance, tables = _read_part(folder, FURTHER)
    inner = folder / EXAMINERS
    if inner.is_dir() and os.access(inner, os.R_OK | os.X_OK):
        of_persons, personal = _read_part(inner)
        if of_persons != provenance:
            raise ResultsError(f"{EXAMINERS}/ is of another analysis; run the analysis again with --with-examiners")
        own = provenance.contract.catalogue.own_codes
        tables |= {name: conform(name, pl.concat([tables[name], rows]), own=own) for name, rows in personal.items()}
    return Results(tables, provenance)


def _write_all(results: Results, folder: Path, beside: Mapping[str, str]) -> None:
    parts = {name: split_persons(frame) for name, frame in results.tables.items()}
    _write_part(folder, {name: general for name, (general, _) in parts.items()}, results.provenance, beside)
    personal = {name: rows for name, (_, rows) in parts.items() if rows.height}
    if personal:
        inner = folder / EXAMINERS
        inner.mkdir(mode=_OWNER_ONLY)
        _write_part(inner, personal, results.provenance)


def _write_part(
    folder: Path, tables: Mapping[str, pl.DataFrame], provenance: Provenance, beside: Mapping[str, str] | None = None
) -> None:
    files = {name: write_table(folder, name, frame) for name, frame in tables.items()}
    Manifest(provenance, files, beside or {}).write(folder)


def _read_part(folder: Path, further: Collection[str] = ()) -> tuple[Provenance, dict[str, pl.DataFrame]]:
    manifest = read_manifest(folder)
    for name in {*further, *manifest.beside}:
        found = file_sha256(folder / name) if (folder / name).is_file() else None
        if found != manifest.beside.get(name):
            raise ResultsError(f"{name} is missing or was changed after the analysis; run the analysis again")
    return manifest.provenance, {name: read_table(folder, name, file) for name, file in manifest.tables.items()}


def check_replaceable(out: Path) -> None:
    """Refuse to replace anything but an empty folder or one that holds what an analysis wrote and nothing else."""
    if not out.exists():
        return
    if not out.is_dir():
        raise ResultsError("the results folder is a file; name a folder with --out")
    entries = {entry.name for entry in out.iterdir()}
    if entries and not is_results_folder(out):
        raise ResultsError("the folder holds other things than results; name a new or empty folder with --out")
    ours = {MANIFEST, EXAMINERS, *FURTHER, *(f"{name}.{form}" for name in result_tables() for form in FORMS)}
    inner = out / EXAMINERS
    entries |= {entry.name for entry in inner.iterdir()} if inner.is_dir() else set()
    foreign = len(entries - ours)
    if foreign:
        raise ResultsError(
            f"the results folder also holds {foreign} files or folders that no analysis wrote; move them elsewhere"
        )

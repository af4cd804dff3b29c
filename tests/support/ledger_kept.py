"""A registry whose ledger knows the records of made-up results, so that a release of them is of a frozen cohort."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from study_clinic import make_registry

from examtally.disclosure.ledger import RELEASE, Shown
from examtally.registry.audit_entry import note_use


def make_ledger(folder: Path, records: str = "0" * 64) -> Path:
    """Put a registry into `folder` from which nothing went out but an empty release of these records."""
    folder.mkdir(parents=True, exist_ok=True)
    registry = folder / "registry.duckdb"
    registry.write_bytes(_made(records))
    registry.chmod(0o600)
    return registry


@cache
def _made(records: str) -> bytes:
    """The file, made once in a process."""
    with TemporaryDirectory() as folder:
        registry = make_registry(Path(folder), people=1)
        details = {"kind": "release", "protocol": "", "sum": "", **Shown(records, {}, {}).to_details()}
        note_use(registry, RELEASE, details=details)
        return registry.read_bytes()

"""The manifest of a results folder: what the tables were made from, and their rows and fingerprints.

No clock, host or path stands in it, so that the same registry and protocol give the same bytes.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from examtally.contracts.protocol.protocol import canonical_hash
from examtally.contracts.results import result_tables
from examtally.errors import ResultsError
from examtally.results.results import Provenance
from examtally.results.tablefile import TableFile

MANIFEST = "manifest.json"
_FORMAT = "examtally results"
_VERSION = 2
_FINGERPRINT = re.compile(r"[0-9a-f]{64}")  # it names files of a release, so nothing else may stand there


@dataclass(frozen=True)
class Manifest:
    """What `manifest.json` holds; `beside` gives the sha256 of every further file by its name."""

    provenance: Provenance
    tables: Mapping[str, TableFile]
    beside: Mapping[str, str] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """The manifest as it is written, sealed by a hash over all that it says."""
        content = {
            "format": _FORMAT,
            "version": _VERSION,
            **asdict(self.provenance),
            "tables": {name: asdict(table) for name, table in sorted(self.tables.items())},
            "beside": dict(sorted(self.beside.items())),
        }
        sealed = content | {"seal": canonical_hash(content)}
        return json.dumps(sealed, ensure_ascii=False, indent=2, sort_keys=False) + "\n"

    def write(self, folder: Path) -> None:
        """Write the manifest into `folder`."""
        (folder / MANIFEST).write_text(self.text, encoding="utf-8")


def is_results_folder(folder: Path) -> bool:
    """Tell whether `folder` has a manifest of ours, whatever its version."""
    try:
        return bool(_content(folder)["format"] == _FORMAT)
    except (ResultsError, KeyError):
        return False


def read_manifest(folder: Path) -> Manifest:
    """Read and check the manifest of `folder`; raises ResultsError where it is missing, foreign or altered."""
    content = _content(folder)
    if content.get("format") != _FORMAT:
        raise ResultsError(f"{MANIFEST} is not of a results folder; name the folder that `examtally analyze` wrote")
    if content.get("version") != _VERSION:
        raise ResultsError(f"{MANIFEST} was written by another version; run the analysis again with this one")
    try:
        names = [name for name in Provenance.__dataclass_fields__ if name in content or name != "catalogue"]
        provenance = Provenance(**{name: content[name] for name in names})
        tables = {name: TableFile(table["rows"], table["sha256"]) for name, table in content["tables"].items()}
        made = Manifest(provenance, tables, dict(content["beside"]))
        is_whole = (
            _FINGERPRINT.fullmatch(provenance.registry) is not None
            and provenance.protocol_hash == canonical_hash(provenance.protocol)
            and tables.keys() <= result_tables().keys()
            and made.text == (folder / MANIFEST).read_text(encoding="utf-8")
        )
    except (KeyError, TypeError, AttributeError, ValueError):
        is_whole = False
    if not is_whole:
        raise ResultsError(f"{MANIFEST} is incomplete or was changed after the analysis; run the analysis again")
    return made


def _content(folder: Path) -> dict[str, Any]:
    try:
        content = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError, RecursionError):
        mend = "name the folder that `examtally analyze` wrote"
        raise ResultsError(f"the results folder has no readable {MANIFEST}; {mend}") from None
    return content if isinstance(content, dict) else {}

"""The lock of a study: what was decided before the results were seen, in a file whose entries the registry's log seals.

The file stands beside the protocol. Each entry holds the protocol as it was, its hash and the hash of the log's entry
that notes it; the log holds the study's code and the protocol's hash, so that neither can be changed alone.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import duckdb

from examtally.contracts.catalogue.local import Kept, differences
from examtally.contracts.protocol.protocol import canonical_hash
from examtally.contracts.study.parts import StudyAnalysis, leaves
from examtally.contracts.study.study import Study, load_study
from examtally.errors import StudyError
from examtally.files import write_whole
from examtally.registry.audit_log import entries

LOCK, AMENDMENT = "study_lock", "study_amendment"
_FORMAT = "examtally study lock"


@dataclass(frozen=True)
class LockEntry:
    """One lock or amendment. `protocol` is the file's content as plain data, `sha256` its hash as canonical JSON.

    `at` is the time of the log in UTC, `records` the fingerprint of the registry's records at that time, `log_entry`
    and `log_hash` the entry of the log that seals it, `reason` that of an amendment.
    """

    kind: str
    at: str
    operator: str | None
    reason: str
    sha256: str
    records: str
    log_entry: int
    log_hash: str
    protocol: Mapping[str, Any]

    @property
    def study(self) -> Study:
        """The study as it was decided."""
        return load_study(self.protocol)


def lock_path(protocol: Path) -> Path:
    """Return where the lock of a protocol file stands."""
    return protocol.with_name(f"{protocol.stem}.lock.json")


def written_hash(study: Study) -> str:
    """Return the hash of a study as its file has it, the same under every version of the program."""
    return canonical_hash(dict(study.source))


def question_hashes(study: Study, analyses: Sequence[StudyAnalysis]) -> tuple[str, ...]:
    """Return the hash of what each analysis asks: the maneuvers of its tests, the target condition and its groups."""
    maneuvers = {test.code: {leaf.maneuver for leaf in leaves(test.rule)} for test in study.selection.tests}
    target = study.selection.target.condition if study.selection.target else None
    asked = (
        {"maneuvers": sorted(set().union(*(maneuvers[test] for test in one.tests))), "groups": one.group_by}
        for one in analyses
    )
    return tuple(sorted({canonical_hash({**one, "target": target}) for one in asked}))


def reason_hash(reason: str) -> str:
    """Return the hash by which the log knows a reason; its words stay in the lock."""
    return canonical_hash({"reason": reason})


def read_lock(path: Path) -> tuple[LockEntry, ...]:
    """Read a lock file, empty where there is none; StudyError where it is no lock or an entry was changed."""
    if not path.exists():
        return ()
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        found = tuple(LockEntry(**one) for one in content["entries"]) if content["format"] == _FORMAT else ()
        is_whole = bool(found) and all(one.sha256 == canonical_hash(one.protocol) for one in found)
        is_whole = is_whole and path.read_text(encoding="utf-8") == _text(found)
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        is_whole = False
    if not is_whole:
        raise StudyError(f"{path.name}: is not a lock, or was changed by hand; put back the file that the lock wrote")
    return found


def write_lock(path: Path, locked: Sequence[LockEntry]) -> None:
    """Write a lock file whole, or not at all."""
    try:
        write_whole(path, _text(locked))
    except OSError as fault:
        raise StudyError(
            f"{path.name}: cannot be written ({fault.strerror}); free room or choose another folder"
        ) from None


def _text(locked: Sequence[LockEntry]) -> str:
    content = {"format": _FORMAT, "entries": [asdict(one) for one in locked]}
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def check_writable(path: Path) -> None:
    """Raise StudyError where no lock can be written at `path`, so that the log notes none in vain."""
    part = path.with_name(f".{path.name}.part")
    try:
        part.touch()
        part.unlink()
    except OSError as fault:
        raise StudyError(f"{path.name}: cannot be written ({fault.strerror}); choose another folder") from None


def check_locked_catalogue(con: duckdb.DuckDBPyConnection, locked: Sequence[LockEntry], study: Study) -> None:
    """Raise StudyError where the newest lock or amendment was made under another catalogue than the study has now."""
    numbers = {one.log_entry: one for one in locked[-1:]}
    for entry in entries(con):
        was = json.loads(entry.details).get("catalogue") if entry.entry in numbers else None
        now = Kept.of(study.base.catalogue)
        if was not in (None, now.hash):
            before = Kept(now.joint, was, numbers[entry.entry].study.base.catalogue.local)
            amend = ", record the change with `study amend`" if now.local else ""
            raise StudyError(
                f"the study was locked under another catalogue of the {now.joint} ({differences(before, now)}); run it "
                f"under that one{amend}, or run it with --exploratory"
            )


def unwritten(
    con: duckdb.DuckDBPyConnection, kind: str, study: Study, locked: Sequence[LockEntry], reason: str
) -> tuple[LockEntry, ...]:
    """The lock or amendment that the log holds of just this protocol and reason, and the file lacks as its next one.

    So it is where the program was stopped between the two, or the file was lost; empty where they agree.
    """
    written = {one.log_entry for one in locked}
    for entry in entries(con):
        said = json.loads(entry.details) if entry.action == kind and entry.entry not in written else {}
        asked = {"study": study.code, "protocol": written_hash(study), "reason": reason_hash(reason)}
        if {**said, **asked, "place": len(locked) + 1} == said:
            sealed = (said["records"], entry.entry, entry.hash)
            return (LockEntry(kind, entry.at, entry.operator, reason, asked["protocol"], *sealed, dict(study.source)),)
    return ()


def check_sealed(
    con: duckdb.DuckDBPyConnection, code: str, locked: Sequence[LockEntry], path: Path, *, until: int | None = None
) -> None:
    """Hold a lock file against the registry's log; StudyError where one knows what the other does not.

    Entries after number `until` are left aside: the lock is that of an earlier time.
    """
    log = [entry for entry in entries(con) if until is None or entry.entry <= until]
    sealed = {entry.entry: entry for entry in log if entry.action in (LOCK, AMENDMENT)}
    noted = [number for number, entry in sealed.items() if json.loads(entry.details).get("study") == code]
    if not locked and noted:
        raise StudyError(
            f"{path.name}: the registry's log holds a lock of the study {code}, and the file is missing; "
            "put it back beside the protocol"
        )
    if locked and not noted:
        raise StudyError(
            f"{path.name}: this registry's log holds no lock of the study {code}; "
            "run on the registry it was locked on, or lock it here under another code"
        )
    for one in locked:
        entry = sealed.get(one.log_entry)
        said = json.loads(entry.details) if entry is not None else {}
        is_same = entry is not None and (entry.hash, entry.at, entry.operator, entry.action) == (
            *(one.log_hash, one.at, one.operator),
            one.kind,
        )
        held = (one.sha256, reason_hash(one.reason), one.records)
        if not is_same or (said["protocol"], said["reason"], said["records"]) != held:
            raise StudyError(f"{path.name}: does not agree with the registry's log; put back the file the lock wrote")
    if noted != [one.log_entry for one in locked]:
        raise StudyError(f"{path.name}: the registry's log holds other amendments; put back the newest file")

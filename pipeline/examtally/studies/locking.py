"""Locking a study before its results are seen, and amending it afterwards with a reason."""

from __future__ import annotations

from pathlib import Path

from examtally.contracts.catalogue.local import Kept
from examtally.contracts.study.study import Study, load_study
from examtally.errors import StudyError
from examtally.registry import open_registry
from examtally.registry.audit_entry import note_use
from examtally.registry.joints import check_catalogue
from examtally.registry.lock_wait import LockWait
from examtally.results.work import Progress
from examtally.studies.checking import check_study
from examtally.studies.lockfile import (
    AMENDMENT,
    LOCK,
    LockEntry,
    check_sealed,
    check_writable,
    lock_path,
    question_hashes,
    read_lock,
    reason_hash,
    unwritten,
    write_lock,
    written_hash,
)
from examtally.studies.rehearsal import rehearse

_LONGEST_REASON = 500


def lock(
    protocol: Path | str,
    registry: Path | str,
    *,
    operator: str | None = None,
    lock_wait: LockWait | None = None,
    progress: Progress | None = None,
) -> LockEntry:
    """Lock the study at `protocol`: note its hash in the registry's log and write the lock beside it.

    First the whole study is rehearsed with its answers dealt to other people, so that it cannot fail afterwards. Raises
    StudyError where something that must be decided is missing, the rehearsal fails or the study is locked already;
    ProtocolError for the protocol; RegistryError where the registry cannot be written. A lock that stands in the log
    and not in its file, since the program was stopped between them, is written there as the log has it.

        et.lock("study.yaml", "registry.duckdb", operator="OP-1").sha256
    """
    protocol, registry = Path(protocol), Path(registry)
    study = load_study(protocol)
    _complete(study)
    path = lock_path(protocol)
    check_writable(path)
    locked, left, records = _before(LOCK, study, path, registry, "", lock_wait)
    if left:
        write_lock(path, left)
        return left[0]
    if locked:
        raise StudyError(f"{path.name}: the study {study.code} is locked since {locked[0].at} UTC; use `study amend`")
    _rehearse(study, registry, lock_wait, progress)
    made = _note(LOCK, study, registry, records, 1, "", operator, lock_wait)
    write_lock(path, [made])
    return made


def amend(
    protocol: Path | str,
    registry: Path | str,
    reason: str,
    *,
    operator: str | None = None,
    lock_wait: LockWait | None = None,
    progress: Progress | None = None,
) -> LockEntry:
    """Note that a locked study was changed, and why; see `lock`.

    For example `et.amend("study.yaml", "registry.duckdb", "A reader was added.")`.
    """
    protocol, registry = Path(protocol), Path(registry)
    study = load_study(protocol)
    _complete(study)
    said = " ".join(reason.split())
    if not said or len(said) > _LONGEST_REASON or not said.isprintable():
        raise StudyError(f"an amendment needs a reason: write 1 to {_LONGEST_REASON} printable characters")
    path = lock_path(protocol)
    check_writable(path)
    locked, left, records = _before(AMENDMENT, study, path, registry, said, lock_wait)
    if left:
        write_lock(path, [*locked, *left])
        return left[0]
    if not locked:
        raise StudyError(f"the study {study.code} is not locked; use `study lock`")
    if written_hash(study) == locked[-1].sha256:
        raise StudyError("the protocol is as it was locked or last amended; there is nothing to amend")
    _rehearse(study, registry, lock_wait, progress)
    made = _note(AMENDMENT, study, registry, records, len(locked) + 1, said, operator, lock_wait)
    write_lock(path, [*locked, made])
    return made


def _complete(study: Study) -> None:
    missing = [one for one in check_study(study) if one.must]
    if missing:
        more = f" (and {len(missing) - 1} more; see `study check`)" if len(missing) > 1 else ""
        raise StudyError(f"not ready to be locked: {missing[0].key}: {missing[0].says}{more}")


def _before(
    kind: str, study: Study, path: Path, registry: Path, reason: str, lock_wait: LockWait | None
) -> tuple[tuple[LockEntry, ...], tuple[LockEntry, ...], str]:
    """The lock so far with what the log alone holds of it, held against the log, and the records' fingerprint."""
    locked = read_lock(path)
    with open_registry(registry, lock_wait=lock_wait) as opened:
        left = unwritten(opened.con, kind, study, locked, reason)
        check_sealed(opened.con, study.code, [*locked, *left], path)
        check_catalogue(opened.con, Kept.of(study.base.catalogue), "the lock would be")
        return locked, left, opened.fingerprint()


def _rehearse(study: Study, registry: Path, lock_wait: LockWait | None, progress: Progress | None) -> None:
    """What cannot be run is not locked."""
    with open_registry(registry, lock_wait=lock_wait) as opened:
        rehearse(study, opened, progress)


def _note(
    kind: str,
    study: Study,
    registry: Path,
    records: str,
    place: int,
    reason: str,
    operator: str | None,
    lock_wait: LockWait | None,
) -> LockEntry:
    sha256 = written_hash(study)
    details = {
        "study": study.code,
        "protocol": sha256,
        "records": records,
        "place": place,
        "reason": reason_hash(reason),
        "asks": question_hashes(study, study.analyses),
        "catalogue": study.base.catalogue.hash,
    }
    entry = note_use(registry, kind, operator=operator, details=details, lock_wait=lock_wait)
    return LockEntry(
        kind, entry.at, entry.operator, reason, sha256, records, entry.entry, entry.hash, dict(study.source)
    )

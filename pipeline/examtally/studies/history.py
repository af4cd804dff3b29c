"""What the registry's log knows of a study beyond its lock: whether its question was asked before, and whether records
that were there at the lock have changed since."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from examtally.contracts.study.study import Study
from examtally.registry import open_registry
from examtally.registry.audit_entry import note_use
from examtally.registry.audit_log import Entry, entries
from examtally.registry.lock_wait import LockWait
from examtally.studies.lock_status import ASKED_BEFORE, Deviation
from examtally.studies.lockfile import LOCK, LockEntry, question_hashes, written_hash

RUN = "study_run"
"""The action of the registry's log under which the first run of a protocol is noted."""

CHANGES = {
    "erase": ("person was erased after a withdrawal", "people were erased after a withdrawal"),
    "amend": ("batch amended records", "batches amended records"),
    "undo": ("batch was undone", "batches were undone"),
}
"""Actions of the log that change records which were there, and how one or several are told."""


def note_run(study: Study, registry: Path, *, operator: str | None = None, lock_wait: LockWait | None = None) -> None:
    """Note in the registry's log that the results of a protocol are about to be seen, once for each protocol.

    Raises RegistryError where the registry cannot be written.
    """
    sha256 = written_hash(study)
    with open_registry(registry, lock_wait=lock_wait) as opened:
        known = {_said(one).get("protocol") for one in entries(opened.con) if one.action == RUN}
    if sha256 not in known:
        details = {"study": study.code, "protocol": sha256, "asks": question_hashes(study, study.analyses)}
        note_use(registry, RUN, operator=operator, details=details, lock_wait=lock_wait)


def deviations(study: Study, locked: Sequence[LockEntry], log: Sequence[Entry]) -> Iterator[Deviation]:
    """What the log knows against a lock: its question locked or run before it, records changed after it.

    A question of a primary analysis counts, whatever part it had in the study that asked it before.
    """
    if not locked:
        return
    own, asks = locked[0].log_entry, set(question_hashes(study, study.primary))
    before = [one for one in log if one.entry < own and not asks.isdisjoint(_said(one).get("asks", ()))]
    for one in before:
        if one.action == LOCK and _said(one).get("study") != study.code:
            seen = [run.entry for run in before if run.action == RUN and run.entry > one.entry]
            known = (
                f"its results were seen (entry {seen[0]})" if seen else "the log does not say if its results were seen"
            )
            yield Deviation(
                ASKED_BEFORE,
                f"the same tests, target and groups were locked before, as {_said(one)['study']} at {one.at} UTC "
                f"(entry {one.entry} of the registry's log); {known}",
                "",
            )
    first = next((one for one in before if one.action == RUN), None)
    if first is not None:
        yield Deviation(
            ASKED_BEFORE,
            f"results of the same tests, target and groups were seen before the lock, at {first.at} UTC "
            f"(entry {first.entry} of the registry's log)",
            "",
        )
    changed = Counter(one.action for one in log if one.entry > own and one.action in CHANGES)
    if changed:
        told = "; ".join(f"{number} {CHANGES[action][number != 1]}" for action, number in sorted(changed.items()))
        yield Deviation("records", f"records changed after the lock: {told}", "")


def _said(entry: Entry) -> Mapping[str, Any]:
    details: Mapping[str, Any] = json.loads(entry.details)
    return details

"""The way out: what may leave the group, held against the registry's ledger and entered there before it is written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from examtally.contracts.catalogue.local import Kept
from examtally.disclosure.ledger import RELEASE, Shown, entered, sums
from examtally.disclosure.release import AUDIT, Approval, Made, Scope, check, make
from examtally.errors import DisclosureError
from examtally.registry import open_registry
from examtally.registry.audit_entry import note_use
from examtally.registry.audit_log import entries
from examtally.registry.joints import check_catalogue
from examtally.registry.lock_wait import LockWait
from examtally.results import Results


@dataclass(frozen=True, eq=False)
class Publication:
    """What may go out of a registry, not yet entered; `newest` is the last entry of the log that was looked at."""

    made: Made
    registry: Path
    newest: int
    is_entered: bool

    def enter(self, kind: str, *, operator: str | None = None, lock_wait: LockWait | None = None) -> None:
        """Enter it in the ledger, before any file of it is where somebody may take it; once only.

        Raises DisclosureError where another went out meanwhile, RegistryError where the registry cannot be written.
        """
        if self.is_entered:
            return
        release = self.made.release
        details = {"kind": kind, "protocol": release.about["protocol"], "sum": release.sum}
        entry = note_use(
            self.registry,
            RELEASE,
            operator=operator,
            details={**details, **self.made.shown.to_details()},
            lock_wait=lock_wait,
        )
        with open_registry(self.registry, lock_wait=lock_wait) as opened:
            between = [one for one in entries(opened.con) if self.newest < one.entry < entry.entry]
        if any(one.action == RELEASE for one in between):
            raise DisclosureError("another release was made meanwhile; nothing was written: repeat the command")


def prepare(
    results: Results,
    registry: Path | str,
    scope: Scope = AUDIT,
    *,
    earlier: Sequence[Shown] = (),
    approval: Approval | None = None,
    lock_wait: LockWait | None = None,
) -> Publication:
    """Make what may go out of `results` and check it against everything that the registry's ledger holds.

    `earlier` are releases that its ledger does not know, made from a copy of the registry. Raises DisclosureError where
    the results are not of the registry, or where the release may not go out, RegistryError where the registry's
    catalogue is another; see `make` and `check`.
    """
    with open_registry(registry, lock_wait=lock_wait) as opened:
        log, records = entries(opened.con), opened.fingerprint()
        if results.provenance.catalogue:
            check_catalogue(opened.con, Kept(**results.provenance.catalogue), "the results were")
    known = [*entered(log), *earlier]
    if results.provenance.registry not in {records, *(before.records for before in known)}:
        raise DisclosureError(
            "the results are not of the records in this registry, nor of an earlier release of it: analyze again, or "
            "name the registry they were made from"
        )
    made = make(results, scope, earlier=known, approval=approval)
    check(made, results, known)
    newest = max((entry.entry for entry in log), default=0)
    return Publication(made, Path(registry), newest, made.release.sum in sums(log))

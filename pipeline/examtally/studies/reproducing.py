"""A bundle run again on its registry: which released figures differ, and what in the registry's log explains it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from examtally.contracts.catalogue.local import Kept
from examtally.disclosure.folder import Release
from examtally.disclosure.ledger import before
from examtally.errors import StudyError
from examtally.registry import Registry, open_registry
from examtally.registry.audit_log import Entry, entries
from examtally.registry.joints import check_catalogue
from examtally.registry.lock_wait import LockWait
from examtally.results.work import Progress
from examtally.studies.bundle import Bundle, read_bundle
from examtally.studies.bundling import released
from examtally.studies.history import CHANGES
from examtally.studies.lock_status import lock_status
from examtally.studies.lockfile import LockEntry, check_locked_catalogue, check_sealed
from examtally.studies.running import run_as

_CHANGES = CHANGES | {
    "ingest": ("batch was ingested", "batches were ingested"),
    "migrate": ("migration of the registry's form", "migrations of the registry's form"),
}
_OF_FIGURES = frozenset(
    (
        *("tp", "fp", "fn", "tn", "estimate", "ci_low", "ci_high"),
        *("estimate_a", "estimate_b", "difference", "p_value", "p_adjusted"),
    )
)


@dataclass(frozen=True)
class Difference:
    """One released figure that came out otherwise; None where it is hidden or missing on one side."""

    table: str
    row: str
    column: str
    was: float | None
    is_now: float | None


@dataclass(frozen=True)
class Reproduction:
    """What came of running a bundle again. `since` counts what changed the records after it, by action of the log."""

    compared: int
    differences: tuple[Difference, ...]
    same_records: bool
    since: Mapping[str, int]
    versions: tuple[str, ...]

    @property
    def is_same(self) -> bool:
        """Whether every figure came out as it was."""
        return not self.differences

    def explanation(self) -> str:
        """What explains the differences, or what to do where nothing does."""
        if self.same_records:
            other = f"; these versions differ: {', '.join(self.versions)}" if self.versions else ""
            return f"The records are those of the bundle{other}."
        if not self.since:
            return "The records differ and the log says of nothing since that changed them: run `examtally verify`."
        told = [f"{number} {_CHANGES[action][number != 1]}" for action, number in self.since.items()]
        changed = f"The records changed since the bundle: {'; '.join(told)}."
        return f"{changed} That can explain a difference; the log does not say which."

    def text(self) -> str:
        """Everything as lines for a reader."""
        head = (
            f"{self.compared} released figures compared: all as they were."
            if self.is_same
            else f"{self.compared} released figures compared: {len(self.differences)} differ."
        )
        lines = [
            f"  {one.table}: {one.row}, {one.column}: {_said(one.was)} -> {_said(one.is_now)}"
            for one in self.differences
        ]
        return "\n".join([head, *lines, self.explanation()])


def reproduce(
    bundle: Path | str, registry: Path | str, *, lock_wait: LockWait | None = None, progress: Progress | None = None
) -> Reproduction:
    """Run the study of a bundle again on its registry, opened for reading, and compare what may be released.

    Raises StudyError where the bundle is not whole or the registry's log does not know its lock, RegistryError where
    its records came under another catalogue. The differences are
    for the group alone: a count that changed by one person says something of that person.

        print(et.reproduce("bundle", "registry.duckdb").text())
    """
    read = read_bundle(Path(bundle))
    with open_registry(registry, lock_wait=lock_wait) as opened:
        check_catalogue(opened.con, Kept.of(read.study.base.catalogue), "the bundle was")
        log = entries(opened.con)
        if read.prespecified:
            check_locked_catalogue(opened.con, read.locked, read.study)
        stands = lock_status(
            read.study, _sealed(read, opened, log), exploratory=bool(read.locked) and not read.prespecified
        )
        found = run_as(read.study, stands, opened, progress=progress)
    now = released(found, before(log, read.release.sum, read.log_entry))
    compared, differences = compare(read.release, now)
    made = found.results.provenance
    changed = sorted(
        name for name in {*made.versions, *read.versions} if made.versions.get(name) != read.versions.get(name)
    )
    since = Counter(entry.action for entry in log if entry.entry > read.log_entry and entry.action in _CHANGES)
    same = made.registry == read.release.about["registry"]
    return Reproduction(compared, tuple(differences), same, dict(sorted(since.items())), tuple(changed))


def _sealed(read: Bundle, registry: Registry, log: Sequence[Entry]) -> tuple[LockEntry, ...]:
    """The lock of the bundle with who made it, held against the log; amendments after the bundle do not count."""
    by_number = {entry.entry: entry for entry in log}
    if not read.locked:
        return ()
    if any(one.log_entry not in by_number for one in read.locked):
        raise StudyError("the registry's log does not hold the lock of the bundle; name the registry it was made from")
    locked = tuple(replace(one, operator=by_number[one.log_entry].operator) for one in read.locked)
    check_sealed(registry.con, read.study.code, locked, Path("study.lock.json"), until=read.log_entry)
    return locked


def compare(before: Release, now: Release) -> tuple[int, list[Difference]]:
    """Compare two releases figure by figure; return how many figures there are and those that differ."""
    compared, found = 0, []
    was, is_now = ({"counts": one.counts, **one.figures} for one in (before, now))
    for table in sorted({*was, *is_now}):
        first, second = _cells(was.get(table)), _cells(is_now.get(table))
        compared += len({*first, *second})
        for key in sorted({*first, *second}):
            if not _equal(first.get(key), second.get(key)):
                found.append(Difference(table, *key, first.get(key), second.get(key)))
    return compared, found


def _cells(frame: pl.DataFrame | None) -> dict[tuple[str, str], float | None]:
    """Every figure of a table by its row, in words, and its column."""
    if frame is None:
        return {}
    figures = [name for name in frame.columns if name in _OF_FIGURES]
    words = [name for name in frame.columns if name not in _OF_FIGURES and name != "level"]
    return {
        (", ".join(str(line[name]) for name in words), column): line[column]
        for line in frame.iter_rows(named=True)
        for column in figures
    }


def _equal(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return abs(float(one) - float(other)) < 1e-9


def _said(value: float | None) -> str:
    return "hidden" if value is None else f"{value:g}"

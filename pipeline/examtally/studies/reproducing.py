"""A bundle run again on its registry: which released figures differ, and what in the registry's log explains it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
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
_LEVEL = "level"
_NOTHING = "The bundle holds no figure that could be compared."


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
    """What came of running a bundle again.

    `compared` counts the figures of every table that the bundle promised, by table; `unchecked` says in sentences what
    of it could not be held against anything. `since` counts what changed the records after it, by action of the log.
    """

    compared: Mapping[str, int]
    differences: tuple[Difference, ...]
    unchecked: tuple[str, ...]
    same_records: bool
    since: Mapping[str, int]
    versions: tuple[str, ...]

    @property
    def is_same(self) -> bool:
        """Whether every figure came out as it was."""
        return not self.differences

    @property
    def table(self) -> pl.DataFrame:
        """The figures that differ: table, row, column, was, is_now; null where one side is hidden or missing."""
        rows = [(one.table, one.row, one.column, one.was, one.is_now) for one in self.differences]
        kinds = {name: pl.String() for name in ("table", "row", "column")} | {
            "was": pl.Float64(),
            "is_now": pl.Float64(),
        }
        return pl.DataFrame(rows, schema=kinds, orient="row")

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
        by_table = ", ".join(f"{table} {many}" for table, many in self.compared.items())
        came = "all as they were" if self.is_same else f"{len(self.differences)} differ"
        number = sum(self.compared.values())
        head = f"{number} released figures compared ({by_table}): {came}." if number else _NOTHING
        lines = [
            f"  {one.table}: {one.row}, {one.column}: {_said(one.was)} -> {_said(one.is_now)}"
            for one in self.differences
        ]
        return "\n".join([head, *lines, self.explanation(), *(f"Not checked: {one}" for one in self.unchecked)])


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
    return Reproduction(
        compared, tuple(differences), tuple(_unchecked(read)), same, dict(sorted(since.items())), tuple(changed)
    )


def _unchecked(read: Bundle) -> Iterator[str]:
    """What a bundle cannot be held to: what it does not hold, and what no run can say."""
    hidden = sum(value is None for table in _promised(read.release) for value in table.values())
    if hidden:
        yield f"{hidden} figures are hidden in the bundle."
    yield from read.lacks
    if not read.locked:
        yield "the protocol was not locked, so that nothing says when it was written."
    yield "text, tables and figures of the paper are not in the bundle; only the released figures are."


def _promised(release: Release) -> Iterator[dict[tuple[str, str], float | None]]:
    """The figures of each table of a release."""
    for frame in (release.counts, *release.figures.values()):
        yield _cells(frame)


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


def compare(before: Release, now: Release) -> tuple[dict[str, int], list[Difference]]:
    """Compare two releases figure by figure; return how many figures each table has and those that differ."""
    compared: dict[str, int] = {}
    found = []
    was, is_now = ({"counts": one.counts, **one.figures} for one in (before, now))
    for table in sorted({*was, *is_now}):
        first, second = _cells(was.get(table)), _cells(is_now.get(table))
        compared[table] = len({*first, *second})
        for key in sorted({*first, *second}):
            if not _equal(first.get(key), second.get(key)):
                found.append(Difference(table, *key, first.get(key), second.get(key)))
    return compared, found


def _cells(frame: pl.DataFrame | None) -> dict[tuple[str, str], float | None]:
    """Every number of a table by its row, in words, and its column; the level is part of what the row is."""
    if frame is None:
        return {}
    figures = [name for name, kind in frame.schema.items() if kind.is_numeric() and name != _LEVEL]
    words = [name for name in frame.columns if name not in figures and name != _LEVEL]
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

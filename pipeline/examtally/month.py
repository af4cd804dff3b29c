"""A month in one call: feed, analysis, monthly page and index, with five lines of what happened."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from examtally.contracts.settings import Settings
from examtally.errors import ContractError
from examtally.ingestion.feeding import Fed, feed
from examtally.registry import open_registry
from examtally.registry.accounts import Waiting, list_waiting, newest_seal
from examtally.registry.lock_wait import LockWait
from examtally.reporting import render_monthly, render_shelf
from examtally.results import analyze

_NEEDED = ("registry", "results", "reports")


@dataclass(frozen=True)
class MonthMade:
    """What a month brought: the sources, what waits, the period of the page, and the pages."""

    fed: tuple[Fed, ...]
    waiting: tuple[Waiting, ...]
    exams: int
    period: str
    monthly: Path
    index: Path

    def lines(self) -> tuple[str, ...]:
        """Return what happened in five lines."""
        batches = [one.batch for one in self.fed if one.batch is not None]
        tables = [table for batch in batches for table in batch.tables]
        total = {
            place: sum(getattr(table, place) for table in tables)
            for place in ("lines", "stored", "unchanged", "waiting", "held_back", "released", "filled")
        }
        new, known = sum(one.files for one in self.fed), sum(one.known for one in self.fed)
        feed_line = f"Feed: {new} new files of {len(self.fed)} sources ({known} known), no line in conflict"
        if batches:
            feed_line = (
                f"{feed_line}: {total['lines']:,} lines, {total['stored']:,} stored, {total['unchanged']:,} unchanged, "
                f"{total['waiting']:,} waiting, {total['held_back']:,} held back; {total['released']:,} that waited "
                f"and {total['filled']:,} that were filled in"
            )
        return (
            f"{feed_line}.",
            f"Waiting for an exam: {'; '.join(map(_waits, self.waiting)) or 'nothing'}.",
            f"Analysis: {self.exams:,} exams, up to {self.period}.",
            f"Monthly page: {self.monthly.resolve()}",
            f"Index: {self.index.resolve()}",
        )


def make_month(
    settings: Settings,
    *,
    period: str | None = None,
    lock_wait: LockWait | None = None,
    progress: Callable[[str], None] | None = None,
) -> MonthMade:
    """Feed every source, analyze, render the monthly page of `period` (the newest where None) and the index.

    Raises ContractError where the settings lack what is needed, FileFault before anything doubtful is stored.
    """
    lacking = [name for name in _NEEDED if getattr(settings, name) is None]
    if lacking:
        raise ContractError(f"examtally.toml: lacks {', '.join(lacking)}; `examtally guide first-report` shows one")
    assert settings.registry is not None
    assert settings.results is not None
    assert settings.reports is not None
    fed = feed(settings, settings.registry, lock_wait=lock_wait, progress=progress)
    with open_registry(settings.registry, lock_wait=lock_wait) as opened:
        ((exams,),) = opened.con.execute("select count(*) from reg.exams").fetchall()
        results = analyze(opened, settings.protocol, progress=progress)
        results.write(settings.results)
    newest = period or str(results.tables["indicators"]["period"].max() or "P001")
    seal = newest_seal(settings.registry, lock_wait=lock_wait)
    monthly, *_ = render_monthly(settings.results, settings.reports, period=newest, seal=seal, progress=progress)
    index, *_ = render_shelf(settings.results, settings.reports, progress=progress)
    waiting = list_waiting(settings.registry, lock_wait=lock_wait)
    return MonthMade(fed, waiting, int(exams), newest, monthly, index)


def _waits(one: Waiting) -> str:
    noun = "line" if one.lines == 1 else "lines"
    return (
        f"{one.lines:,} {noun} of {one.table}, the oldest since batch {one.batch_no} ({one.received}, {one.days} days)"
    )

"""How much of a batch may be held back before the whole of it is refused: a bad export is mended, not swallowed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import duckdb

from examtally.errors import ExamtallyError, FileFault
from examtally.ingestion.checking.gate import Checks, held
from examtally.ingestion.reading.staging import Staged
from examtally.ingestion.storing.report import HeldBack

if TYPE_CHECKING:
    from examtally.contracts.mapping.mapping import ExportMapping

HELD_BACK_LIMIT = 0.05
_FEW = 10  # of a small batch a line or two is always a large share
_SHOWN = 3


def checked_limit(share: float | None, mapping: ExportMapping | None) -> float:
    """Return the share that may be held back: what the caller says, else the mapping, else 5 % of a mapped export.

    Files in our own form have no mapping that could be wrong; without a word of the caller any share may be held back.
    """
    usual = 1.0 if mapping is None else HELD_BACK_LIMIT if mapping.held_back_limit is None else mapping.held_back_limit
    limit = usual if share is None else share
    if not 0 <= limit <= 1:
        raise ExamtallyError(f"the share that may be held back is from 0 to 1, such as {HELD_BACK_LIMIT}")
    return limit


def over_limit(
    con: duckdb.DuckDBPyConnection,
    staged: Mapping[str, Staged],
    checks: Mapping[str, Checks],
    broken: Sequence[HeldBack],
    limit: float,
) -> str | None:
    """Return why a batch is refused, None where it is not; lines of participants who have withdrawn do not count."""
    if not any(one.kind == "held_back" for one in broken):
        return None
    lines = sum(one.lines for one in staged.values())
    counts = [con.execute(_count(one, checks[name])).fetchall()[0][0] for name, one in staged.items()]
    held_back = sum(counts)
    if held_back < _FEW or held_back <= limit * lines:
        return None
    worst = sorted((one for one in broken if one.kind == "held_back"), key=lambda one: -one.lines)[:_SHOWN]
    rules = ", ".join(f"{one.rule} ({one.lines:,})" for one in worst)
    return (
        f"{held_back:,} of {lines:,} lines ({held_back / lines:.1%}) would be held back, more than {limit:.1%}: "
        f"{rules}; nothing was stored. `examtally check` lists them; mend the export, or allow more with --allow-held"
    )


def in_conflict(broken: Sequence[HeldBack]) -> str | None:
    """Return why a batch is refused that may not hold a conflict, None where it holds none."""
    found = [one for one in broken if one.kind == "conflict"]
    if not found:
        return None
    columns = ", ".join(f"{one.table}.{one.column} ({one.lines:,})" for one in found)
    named = ",".join(f"{one.table}.{one.column}" for one in found)
    return (
        f"lines differ from what is stored: {columns}; nothing was stored. `examtally check` lists them; where the new "
        f"ones are right: --amend {named}"
    )


def refuse_over_limit(reason: str | None) -> None:
    """Raise FileFault where there is a reason."""
    if reason is not None:
        raise FileFault(reason)


def _count(staged: Staged, checks: Checks) -> str:
    withdrawn = -1 if checks.withdrawn is None else checks.number(checks.withdrawn)
    name = held(staged.table)
    return (
        f"select count(distinct rid) from {name} where rid not in (select rid from {name} where rule_no = {withdrawn})"
    )

"""What a registry says of its batches: when they came, where their lines went, which lines are held back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import duckdb

from examtally.contracts.contract import Contract, load_contract, registry_contract
from examtally.contracts.records.rules import key_rule, reference_rules, rules_for, withdrawn_rule
from examtally.contracts.records.screening import screen_rules
from examtally.errors import RegistryError
from examtally.registry.audit_log import Entry, entries, head
from examtally.registry.bookkeeping import waiting_tables
from examtally.registry.joints import joints_held, own_catalogues
from examtally.registry.lock_wait import LockWait
from examtally.registry.registry import open_registry

_CONFLICT = (
    "the content already stored under this key",
    "find out which is right; --amend TABLE.COLUMN replaces what is stored",
)
_SAID_BETTER = (
    "ends_with(rule, '.type') and exists (select 1 from reg.held_back s where s.batch_no = held_back.batch_no and "
    's."table" = held_back."table" and s.file_no = held_back.file_no and s.line = held_back.line and '
    's."column" = held_back."column" and contains(s.rule, \'.screen_\'))'
)
"""A cell that may identify a person is not also told to be no number."""


@dataclass(frozen=True)
class BatchLine:
    """One batch: when (UTC), by whom, and where its lines went; `amended` of them replaced an earlier version."""

    batch_no: int
    received_at: str
    operator: str | None
    lines: int
    stored: int
    unchanged: int
    conflict: int
    waiting: int
    held_back: int
    amended: int


Places = tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class HeldOf:
    """The lines of a group that are of one examiner; None where no code that the registry knows stands behind them."""

    examiner_id: str | None
    site_id: str | None
    lines: int
    places: Places


@dataclass(frozen=True)
class HeldGroup:
    """The lines of one batch and table that broke one rule; `places` are file and line, both counted from 1."""

    batch_no: int
    table: str
    column: str
    rule: str
    kind: str
    lines: int
    places: Places
    legal: str
    mend: str
    of: tuple[HeldOf, ...]


def list_batches(registry: Path | str, *, lock_wait: LockWait | None = None) -> tuple[BatchLine, ...]:
    """Return the batches of a registry in order."""
    with open_registry(registry, lock_wait=lock_wait) as opened:
        replaced = " union all ".join(
            f'select replaced_by as batch_no from reg.superseded."{name}"' for name in load_contract().tables
        )
        rows = opened.con.execute(
            f"""
            select b.batch_no, strftime(received_at, '%Y-%m-%d %H:%M'), operator, coalesce(lines, 0),
                coalesce(stored, 0), coalesce(unchanged, 0), coalesce(conflict, 0), coalesce(waiting, 0),
                coalesce(held_back, 0), coalesce(amended, 0)
            from reg.batches b left join (
                select batch_no, sum(lines)::bigint as lines, sum(stored)::bigint as stored,
                    sum(unchanged)::bigint as unchanged, sum(conflict)::bigint as conflict,
                    sum(waiting)::bigint as waiting, sum(held_back)::bigint as held_back
                from reg.batch_tables group by all
            ) using (batch_no) left join (select batch_no, count(*) as amended from ({replaced}) group by all)
            using (batch_no) order by b.batch_no
            """
        ).fetchall()
        return tuple(BatchLine(*row) for row in rows)


def list_log(registry: Path | str, *, lock_wait: LockWait | None = None) -> tuple[Entry, ...]:
    """Return the log of a registry from its first entry on."""
    with open_registry(registry, lock_wait=lock_wait) as opened:
        return entries(opened.con)


def newest_seal(registry: Path | str, *, lock_wait: LockWait | None = None) -> str:
    """Return the hash of the newest entry of the log of a registry, all zeros where there is none."""
    with open_registry(registry, lock_wait=lock_wait) as opened:
        return head(opened.con)


@dataclass(frozen=True)
class Waiting:
    """Lines of one table that wait for their exam: how many, and the batch, day and age in days of the oldest."""

    table: str
    lines: int
    batch_no: int
    received: str
    days: int


def list_waiting(registry: Path | str, *, lock_wait: LockWait | None = None) -> tuple[Waiting, ...]:
    """Return what waits for its exam, by table; tables without any are left out."""
    found = []
    with open_registry(registry, lock_wait=lock_wait) as opened:
        for table in waiting_tables(load_contract()):
            rows = opened.con.execute(
                "select n, b.batch_no, strftime(received_at, '%Y-%m-%d'), "
                "date_diff('day', received_at, cast(now() at time zone 'UTC' as timestamp)) "
                f'from (select count(*) as n, min(batch_no) as batch_no from reg.waiting."{table.name}") '
                "join reg.batches b using (batch_no)"
            ).fetchall()
            found += [Waiting(table.name, *row) for row in rows]
    return tuple(found)


def known_files(registry: Path | str, *, lock_wait: LockWait | None = None) -> frozenset[str]:
    """Return the fingerprints of all files and exports that the registry has taken in."""
    with open_registry(registry, lock_wait=lock_wait) as opened:
        rows = opened.con.execute(
            "select fingerprint from reg.batch_tables union select fingerprint from reg.batch_exports"
        ).fetchall()
    return frozenset(text for (text,) in rows)


def list_held(
    registry: Path | str, batch_no: int | None = None, *, lock_wait: LockWait | None = None
) -> tuple[HeldGroup, ...]:
    """Return the lines held back or in conflict, by batch, table, rule and examiner: of one batch, or all not retried.

    Raises RegistryError where there is no such batch.
    """
    with open_registry(registry, lock_wait=lock_wait) as opened:
        con = opened.con
        contract = registry_contract(kept=own_catalogues(con))
        contract = contract.among(joints_held(con)) if joints_held(con) else load_contract()
        if (
            batch_no is not None
            and not con.execute("select 1 from reg.batches where batch_no = ?", [batch_no]).fetchall()
        ):
            raise RegistryError(f"{registry}: there is no batch {batch_no}; `examtally batches` lists them")
        return tuple(_groups(con, contract, batch_no))


def _groups(con: duckdb.DuckDBPyConnection, contract: Contract, batch_no: int | None) -> Iterator[HeldGroup]:
    words = _words(contract)
    which = "batch_no not in (select batch_no from reg.retried)" if batch_no is None else f"batch_no = {batch_no}"
    rows = con.execute(
        'select batch_no, "table", "column", rule, kind, examiner_id, site_id, '
        "list_sort(list(distinct {'file': file_no, 'line': line})) "
        'from reg.held_back left join reg.held_by using (batch_no, "table", file_no, line) '
        f"where {which} and not ({_SAID_BETTER}) group by all order by all"
    ).fetchall()
    groups: dict[tuple[int, str, str, str, str], list[HeldOf]] = {}
    for *key, examiner, site, listed in rows:
        places = tuple((place["file"], place["line"]) for place in listed)
        groups.setdefault(tuple(key), []).append(HeldOf(examiner, site, len(places), places))
    tables = list(contract.tables)
    found = []
    for (number, table, column, rule, kind), of in groups.items():
        places = tuple(sorted({place for one in of for place in one.places}))
        by_size = tuple(sorted(of, key=lambda one: (one.examiner_id is None, -one.lines, one.places)))
        legal, mend = words.get(rule, _CONFLICT)
        found.append(HeldGroup(number, table, column, rule, kind, len(places), places, legal, mend, by_size))
    yield from sorted(found, key=lambda one: (one.batch_no, tables.index(one.table), -one.lines, one.rule, one.column))


def _words(contract: Contract) -> Mapping[str, tuple[str, str]]:
    """What each rule asks for and how to mend a line that breaks it."""
    words = {}
    for name in contract.tables:
        withdrawn = withdrawn_rule(contract, name)
        for rule in (
            *rules_for(contract, name),
            key_rule(contract, name),
            *reference_rules(contract, name),
            *screen_rules(contract, name),
            *(() if withdrawn is None else (withdrawn,)),
        ):
            words[rule.id] = (rule.legal, rule.mend)
    return words

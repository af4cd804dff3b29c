"""A participant withdraws: nothing new is taken, or every trace is erased as well."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import duckdb

from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.records.rules import literal, quoted
from examtally.contracts.records.tables import Table
from examtally.errors import ExamtallyError
from examtally.registry.audit_entry import coded
from examtally.registry.audit_log import note, record_tables, seal
from examtally.registry.faults import writing_fault
from examtally.registry.lock_wait import LockWait
from examtally.registry.registry import reading, real_file, writing
from examtally.registry.rewriting import rewriting
from examtally.registry.workspace import Workspace, transaction

PARTICIPANT, EXAM = "participant", "exam"
_BLOCK = 64


def stored_key(con: duckdb.DuckDBPyConnection) -> str | None:
    """Return the key of the attached registry, None where nobody has withdrawn."""
    return next((key for (key,) in con.execute("select key from reg.tombstone_key").fetchall()), None)


def make_key(con: duckdb.DuckDBPyConnection) -> str:
    """Return the key of the attached registry, made where there is none."""
    key = stored_key(con)
    if key is None:
        key = secrets.token_hex(_BLOCK // 2)
        con.execute("insert into reg.tombstone_key values (?)", [key])
    return key


def digest_sql(key: str, kind: str, column: str) -> str:
    """SQL for the digest of a column of identifiers of one kind."""
    padded = bytes.fromhex(key).ljust(_BLOCK, b"\0")
    inner, outer = (bytes(byte ^ pad for byte in padded).hex() for pad in (0x36, 0x5C))
    text = f"encode({literal(kind + ':')} || {column})"
    return f"sha256(unhex('{outer}') || unhex(sha256(unhex('{inner}') || {text})))"


def withdrawn_sql(key: str, kind: str, column: str, source: str) -> str:
    """SELECT of the distinct identifiers in a column of a table for which there is a tombstone."""
    return (
        f"select {column} from (select distinct {column} from {source} where {column} is not null) "
        f"where {digest_sql(key, kind, column)} in (select digest from reg.tombstones where kind = {literal(kind)})"
    )


def add_withdrawals(con: duckdb.DuckDBPyConnection, key: str, kind: str, identifiers: str) -> int:
    """Add tombstones for what the SELECT `identifiers` gives as `id`; return how many were new."""
    ((added,),) = con.execute(
        f"insert into reg.tombstones select distinct {literal(kind)}, digest from "
        f"(select {digest_sql(key, kind, 'id')} as digest from ({identifiers})) "
        f"where digest not in (select digest from reg.tombstones where kind = {literal(kind)})"
    ).fetchall()
    return int(added)


Progress = Callable[[str], None]


@dataclass(frozen=True)
class Withdrawal:
    """What was done: rows erased by part and table (`stored.findings`), and the batches that had brought them."""

    is_erased: bool
    was_known: bool
    erased: Mapping[str, int]
    batches: tuple[int, ...]


def withdraw(
    registry: Path | str,
    participant: str,
    *,
    erase: bool,
    operator: str | None = None,
    lock_wait: LockWait | None = None,
    progress: Progress | None = None,
) -> Withdrawal:
    """Take nothing more of `participant`; with `erase` remove every trace and write the registry's file anew.

    Raises ExamtallyError for what is no coded identifier and RegistryError where the registry cannot be written.
    """
    registry, contract, say = real_file(registry), load_contract(), progress or (lambda _step: None)
    with Workspace(registry.parent, lock_wait) as workspace:
        con = workspace.con
        person, operator = coded(con, participant, "the participant"), coded(con, operator)
        if person is None:
            raise ExamtallyError("name the participant who withdraws")
        try:
            with reading(workspace, registry, contract, any_form=True):
                pass  # there must be a registry: a withdrawal makes none
            if not erase:
                with writing(workspace, registry, contract):
                    return _stop(con, contract, person, operator, say)
            with rewriting(workspace, registry, contract, say):
                return _erase(con, contract, person, operator, say)
        except duckdb.Error as error:  # its words may quote a record
            raise writing_fault(error, registry) from None


def _stop(
    con: duckdb.DuckDBPyConnection, contract: Contract, person: str, operator: str | None, say: Progress
) -> Withdrawal:
    say("before begin")
    with transaction(con):
        _bury(con, person)
        seal(con, contract, ())
        is_known = bool(con.execute("select 1 from reg.exams where participant_id = ? limit 1", [person]).fetchall())
        note(con, "stop", operator)
        say("before commit")
    say("after commit")
    return Withdrawal(is_erased=False, was_known=is_known, erased={}, batches=())


def _bury(con: duckdb.DuckDBPyConnection, person: str) -> None:
    con.execute("create or replace temp table person as select cast(? as varchar) as id", [person])
    add_withdrawals(con, make_key(con), PARTICIPANT, "select id from person")


def _erase(
    con: duckdb.DuckDBPyConnection, contract: Contract, person: str, operator: str | None, say: Progress
) -> Withdrawal:
    say("before begin")
    with transaction(con):
        _bury(con, person)
        _list_own(con, contract)
        add_withdrawals(con, make_key(con), EXAM, "select own.id from own where \"table\" = 'exams'")
        erased: dict[str, int] = {}
        batches: set[int] = set()
        for part, table, name in record_tables(con, contract):
            which = _traces(contract.tables[table], person)
            if which is None:
                continue
            counts = con.execute(f"select batch_no, count(*) from {name} where {which} group by all").fetchall()
            say(f"before erase {part} {table}")
            con.execute(f"delete from {name} where {which}")
            con.executemany(
                "insert into reg.erased values (?, ?, ?)", [(no, table, rows) for no, rows in counts] or [(0, table, 0)]
            )
            batches |= {no for no, _ in counts}
            erased[f"{part}.{table}"] = sum(rows for _, rows in counts)
        con.execute("delete from reg.erased where lines = 0")
        seal(con, contract)
        found = {name: rows for name, rows in erased.items() if rows}
        note(con, "erase", operator, details={"rows": found})
        say("before commit")
    say("after commit")
    return Withdrawal(is_erased=True, was_known=bool(found), erased=found, batches=tuple(sorted(batches)))


def _list_own(con: duckdb.DuckDBPyConnection, contract: Contract) -> None:
    """Make `own` (table, id): the keys of the person's present rows."""
    selects = [
        f"select '{table.name}' as \"table\", {quoted(table.primary_key[0])} as id from reg.{quoted(table.name)} "
        "where participant_id = (select id from person)"
        for table in contract.tables.values()
        if "participant_id" in table.names
    ]
    con.execute(f"create temp table own as select distinct * from ({' union all '.join(selects)})")


def _traces(table: Table, person: str) -> str | None:
    """The condition on the rows that speak of the person: by pseudonym, by exam, by a key that holds the pseudonym.

    An earlier version of a row is found by its key too: the row may have been of another person before.
    """
    if "participant_id" in table.names:
        key = quoted(table.primary_key[0])
        return f"participant_id = (select id from person) or {_is_own(key, table.name)} or {_holds(key, person)}"
    return f"{_is_own('exam_id', 'exams')} or {_holds('exam_id', person)}" if "exam_id" in table.names else None


def _is_own(column: str, table: str) -> str:
    return f"{column} in (select id from own where \"table\" = '{table}')"


def _holds(column: str, person: str) -> str:
    """Whether an identifier holds the pseudonym as a whole word: PT-7-E1 holds PT-7, PT-71 does not.

    The pattern is a constant: as a value it would be compiled anew for every row.
    """
    pattern = f"(^|[^A-Z0-9]){person}($|[^A-Z0-9])"
    return f"(contains({column}, {literal(person)}) and regexp_matches({column}, {literal(pattern)}))"

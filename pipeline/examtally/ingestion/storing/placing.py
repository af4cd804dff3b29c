"""Where each line of a batch goes, against the attached registry: nothing is written to the registry here.

Lines that failed the gate are in `held_<table>` already. The others find their place in this order: what is there
already (unchanged, or a conflict), what refers to something unknown (held back), what repeats an earlier line of the
batch (unchanged), what speaks of an exam that is unknown (waiting). The rest is stored.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.records.rules import CrossRule, literal, quoted
from examtally.contracts.records.tables import Table
from examtally.ingestion.checking.gate import Checks, held
from examtally.ingestion.checking.keys import duplicate_keys
from examtally.ingestion.reading.staging import Staged
from examtally.ingestion.storing.settling import CONFLICT, UNCHANGED, Amendment, merged, no_settled, settle, settled
from examtally.registry.bookkeeping import waiting_tables
from examtally.registry.workspace import have_rows

WAITING = "waiting"


def placed(table: Table) -> str:
    """The temporary table (rid, place) of the lines of `table` that are neither held back nor stored."""
    return quoted(f"placed_{table.name}")


def conflicts(table: Table) -> str:
    """The temporary table (rid, column) of what differs in the lines in conflict."""
    return quoted(f"conflicts_{table.name}")


def replacing(table: Table) -> str:
    """SELECT of the merged rows that replace what is stored or waits: the line itself is stored or waits."""
    others = f"select rid from {held(table)} union all select rid from {placed(table)} where place <> '{WAITING}'"
    return f"select * from {merged(table)} where rid not in ({others})"


def arriving(table: Table) -> str:
    """The temporary table of the keys that the batch stores in `table`, which other tables refer to."""
    return quoted(f"arriving_{table.name}")


def open_lines(table: Table) -> str:
    """The condition on `rid` of the lines without a place: in the end, of those that are stored."""
    return f"rid not in (select rid from {held(table)}) and rid not in (select rid from {placed(table)})"


def listed(names: Sequence[str], prefix: str = "") -> str:
    """Column names as an SQL list."""
    return ", ".join(prefix + quoted(name) for name in names)


def place(
    con: duckdb.DuckDBPyConnection,
    contract: Contract,
    staged: Mapping[str, Staged],
    checks: Mapping[str, Checks],
    amendment: Amendment,
) -> None:
    """Find the place of every line, table by table in loading order; what `amendment` takes is no conflict."""
    targets = {key.table for table in contract.tables.values() for key in table.foreign_keys}
    for table in contract.tables.values():
        if table.name in staged:
            con.execute(f"create temp table {placed(table)} (rid bigint, place varchar)")
            con.execute(f'create temp table {conflicts(table)} (rid bigint, "column" varchar)')
            _place_table(con, contract, staged, checks[table.name], amendment)
        if table.name in targets:
            keys = listed(table.primary_key)
            stored = f"select {keys} from reg.{quoted(table.name)} limit 0"
            if table.name in staged:
                stored = f"select {keys} from {staged[table.name].view} where {open_lines(table)}"
            con.execute(f"create temp table {arriving(table)} as {stored}")


def _place_table(
    con: duckdb.DuckDBPyConnection,
    contract: Contract,
    staged: Mapping[str, Staged],
    checks: Checks,
    amendment: Amendment,
) -> None:
    one = staged[checks.key.table]
    table = one.table
    _place_known(con, contract, staged, one, amendment)
    for rule in checks.references:
        if rule.unknown != "hold" or not _is_supplied(con, staged, rule.target):
            continue
        if _find_unknown(con, contract, one, rule):
            _insert(con, held(table), one, str(checks.number(rule)), f"{listed(rule.columns)} in (from unknown)")
    if con.execute(f"select 1 from {duplicate_keys(table)} limit 1").fetchall():
        _insert(con, placed(table), one, literal(UNCHANGED), f"rid in (select rid from {duplicate_keys(table)})")
    for rule in checks.references:
        if rule.unknown == "wait" and _find_unknown(con, contract, one, rule):
            _insert(con, placed(table), one, literal(WAITING), f"{listed(rule.columns)} in (from unknown)")


def _insert(con: duckdb.DuckDBPyConnection, target: str, staged: Staged, value: str, condition: str) -> None:
    con.execute(
        f"insert into {target} select rid, {value} from {staged.view} where {open_lines(staged.table)} and {condition}"
    )


def _place_known(
    con: duckdb.DuckDBPyConnection,
    contract: Contract,
    staged: Mapping[str, Staged],
    one: Staged,
    amendment: Amendment,
) -> None:
    """Place the lines whose key is in the registry, or waits in it."""
    table = one.table
    no_settled(con, table)
    names = listed(table.names)
    schemas = ("reg", "reg.waiting") if table in waiting_tables(contract) else ("reg",)
    sources = [f"{schema}.{quoted(table.name)}" for schema in schemas]
    if not any(have_rows(con, sources)):
        return
    known = " union all ".join(f"select {names} from {source}" for source in sources)
    settle(con, staged, one, known, open_lines(table), amendment)
    stays = f"place in ('{UNCHANGED}', '{CONFLICT}')"
    con.execute(f"insert into {placed(table)} select rid, place from {settled(table)} where {stays}")
    con.execute(f"insert into {conflicts(table)} select rid, unnest(clashing) from {settled(table)}")


def _is_supplied(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], target: str) -> bool:
    """Whether the batch or the registry has any line of the table referred to."""
    if target in staged and staged[target].lines > 0:
        return True
    return bool(con.execute(f"select 1 from reg.{quoted(target)} limit 1").fetchall())


def _find_unknown(con: duckdb.DuckDBPyConnection, contract: Contract, staged: Staged, rule: CrossRule) -> int:
    """Fill `unknown` with the keys that `rule` refers to and that neither the registry nor the batch stores; count."""
    target = contract.tables[rule.target]
    keys = listed(target.primary_key)
    ((found,),) = con.execute(
        f"create or replace temp table unknown as select distinct {listed(rule.columns)} from {staged.view} "
        f"where {open_lines(staged.table)} except "
        f"(select {keys} from reg.{quoted(target.name)} union all select {keys} from {arriving(target)})"
    ).fetchall()
    return int(found)

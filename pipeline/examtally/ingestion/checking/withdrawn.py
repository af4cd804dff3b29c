"""Lines of participants who have withdrawn: held back whatever else they say, and their exams remembered.

`withdrawn_exams` lists the exams of the batch and the registry that are theirs, so that findings are held back too, in
this batch and in later ones.
"""

from __future__ import annotations

from collections.abc import Mapping

import duckdb

from examtally.contracts.records.rules import CrossRule, quoted
from examtally.ingestion.checking.gate import Checks, held
from examtally.ingestion.reading.staging import Staged
from examtally.registry.withdrawal import EXAM, PARTICIPANT, add_withdrawals, stored_key, withdrawn_sql


def hold_withdrawn(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], checks: Mapping[str, Checks]) -> None:
    """Hold back every line of a participant, or of an exam of a participant, for whom the registry has a tombstone."""
    con.execute("create or replace temp table withdrawn_exams (exam_id varchar)")
    key = stored_key(con)
    if key is None:
        return
    rules = {name: rule for name, one in checks.items() if (rule := one.withdrawn) is not None}
    for name, rule in rules.items():
        if rule.target == "participants":
            gone = withdrawn_sql(key, PARTICIPANT, "participant_id", staged[name].view)
            _hold(con, staged[name], checks[name], rule, gone)
    _list_exams(con, staged, key)
    for name, rule in rules.items():
        if rule.target == "exams":
            gone = withdrawn_sql(key, EXAM, "exam_id", staged[name].view)
            _hold(con, staged[name], checks[name], rule, f"from withdrawn_exams union all {gone}")


def _list_exams(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], key: str) -> None:
    sources = ["reg.exams", *([staged["exams"].view] if "exams" in staged else [])]
    for source in sources:
        gone = withdrawn_sql(key, PARTICIPANT, "participant_id", source)
        con.execute(
            f"insert into withdrawn_exams select distinct exam_id from {source} "
            f"where exam_id is not null and participant_id in ({gone})"
        )


def _hold(con: duckdb.DuckDBPyConnection, staged: Staged, checks: Checks, rule: CrossRule, gone: str) -> None:
    con.execute(
        f"insert into {held(staged.table)} select rid, {checks.number(rule)} from {staged.view} "
        f"where {quoted(rule.columns[0])} in ({gone})"
    )


def bury_exams(con: duckdb.DuckDBPyConnection) -> None:
    """Keep tombstones of the exams held back, so that findings that come later do not wait for them."""
    key = stored_key(con)
    if key is not None:
        add_withdrawals(
            con,
            key,
            EXAM,
            "select exam_id as id from withdrawn_exams where exam_id not in (select exam_id from reg.exams)",
        )


def drop_waiting(con: duckdb.DuckDBPyConnection, table: str) -> int:
    """Erase the waiting lines of exams held back, which nobody can wait for any more; return how many there were."""
    name, which = quoted(table), "where exam_id in (from withdrawn_exams)"
    con.execute(
        f"insert into reg.erased select batch_no, '{table}', count(*) from reg.waiting.{name} {which} group by batch_no"
    )
    ((rows,),) = con.execute(f"delete from reg.waiting.{name} {which}").fetchall()
    return int(rows)

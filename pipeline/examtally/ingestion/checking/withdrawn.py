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
from examtally.registry.withdrawal import EXAM, PARTICIPANT, add_withdrawals, make_key, stored_key, withdrawn_sql


def hold_withdrawn(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], checks: Mapping[str, Checks]) -> None:
    """Hold back every line of a participant who has withdrawn, or of an exam of one.

    They are those for whom the registry has a tombstone, and those of `withdrawing`, who withdraw with this batch.
    """
    con.execute("create or replace temp table withdrawn_exams (exam_id varchar)")
    con.execute("create temp table if not exists withdrawing (participant_id varchar)")
    key = stored_key(con)
    if key is None and not withdrawing(con):
        return
    rules = {name: rule for name, one in checks.items() if (rule := one.withdrawn) is not None}
    for name, rule in rules.items():
        if rule.target == "participants":
            gone = _gone(key, staged[name].view)
            _hold(con, staged[name], checks[name], rule, gone)
    _list_exams(con, staged, key)
    for name, rule in rules.items():
        if rule.target == "exams":
            gone = "" if key is None else " union all " + withdrawn_sql(key, EXAM, "exam_id", staged[name].view)
            _hold(con, staged[name], checks[name], rule, f"from withdrawn_exams{gone}")


def withdrawing(con: duckdb.DuckDBPyConnection) -> int:
    """How many withdraw with this batch."""
    ((people,),) = con.execute("select count(*) from withdrawing").fetchall()
    return int(people)


def _gone(key: str | None, source: str) -> str:
    """SELECT of those who have withdrawn, before or with this batch."""
    before = "" if key is None else " union all " + withdrawn_sql(key, PARTICIPANT, "participant_id", source)
    return f"from withdrawing{before}"


def _list_exams(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], key: str | None) -> None:
    sources = ["reg.exams", *([staged["exams"].view] if "exams" in staged else [])]
    for source in sources:
        gone = _gone(key, source)
        con.execute(
            f"insert into withdrawn_exams select distinct exam_id from {source} "
            f"where exam_id is not null and participant_id in ({gone})"
        )


def _hold(con: duckdb.DuckDBPyConnection, staged: Staged, checks: Checks, rule: CrossRule, gone: str) -> None:
    con.execute(
        f"insert into {held(staged.table)} select rid, {checks.number(rule)} from {staged.view} "
        f"where {quoted(rule.columns[0])} in ({gone})"
    )


def bury(con: duckdb.DuckDBPyConnection) -> int:
    """Keep tombstones of those who withdraw with this batch and return how many were new.

    And of the exams held back, so that findings that come later do not wait for them.
    """
    added = 0
    if withdrawing(con):
        added = add_withdrawals(con, make_key(con), PARTICIPANT, "select participant_id as id from withdrawing")
    key = stored_key(con)
    if key is not None:
        add_withdrawals(
            con,
            key,
            EXAM,
            "select exam_id as id from withdrawn_exams where exam_id not in (select exam_id from reg.exams)",
        )
    return added


def drop_waiting(con: duckdb.DuckDBPyConnection, table: str) -> int:
    """Erase the waiting lines of exams held back, which nobody can wait for any more; return how many there were."""
    name, which = quoted(table), "where exam_id in (from withdrawn_exams)"
    con.execute(
        f"insert into reg.erased select batch_no, '{table}', count(*) from reg.waiting.{name} {which} group by batch_no"
    )
    ((rows,),) = con.execute(f"delete from reg.waiting.{name} {which}").fetchall()
    return int(rows)

"""Which joint a line is of: its own column says so, or the exam it speaks of.

Codes are legal by joint. A line of an exam that is in the batch is judged at the gate; one of an exam that the registry
holds once that is attached; one whose exam nobody knows waits, and is judged when the exam comes.
"""

from __future__ import annotations

from collections.abc import Mapping

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.records.rules import JOINT_OF_EXAM, quoted, rules_for
from examtally.contracts.records.tables import JOINT, Table
from examtally.ingestion.checking.gate import Checks, held
from examtally.ingestion.reading.staging import Staged, view_columns


def joints_of(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], contract: Contract) -> tuple[str, ...]:
    """Return the known joints of the lines of a batch, that of a line that names none where there are no others."""
    named: set[object] = set()
    for one in staged.values():
        if JOINT in one.supplied:
            named |= {joint for (joint,) in con.execute(f"select distinct {JOINT} from {one.view}").fetchall()}
        elif JOINT in one.table.names and one.lines:
            named.add(one.table.field(JOINT).default)
    return tuple(code for code in contract.joints if code in named)


def show_joints(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], exams: str = "") -> None:
    """Add to the views of lines of an exam the joint of that exam, of the batch or of the table `exams`."""
    sources = [exams, staged["exams"].view if "exams" in staged else ""]
    known = " union all ".join(f"select exam_id, {JOINT} from {source}" for source in sources if source)
    if not known:
        known = f"select null as exam_id, null as {JOINT} limit 0"
    con.execute(
        f"create or replace temp table exam_joints as select exam_id, any_value({JOINT}) as {JOINT_OF_EXAM} "
        f"from ({known}) group by exam_id having count(distinct {JOINT}) = 1"
    )
    for one in staged.values():
        if "exam_id" in one.table.names and JOINT not in one.table.names:
            lines = f"select {view_columns(one.table, one.supplied)} from {quoted(f'text_{one.table.name}')}"
            con.execute(
                f"create or replace temp view {one.view} as "
                f"select s.*, j.{JOINT_OF_EXAM} from ({lines}) s left join exam_joints j using (exam_id)"
            )


def hold_of_stored(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], checks: Mapping[str, Checks]) -> None:
    """Judge by the joint of their exam the lines whose exam the attached registry holds."""
    show_joints(con, staged, "reg.exams")
    for name, one in staged.items():
        for rule in checks[name].rows:
            if JOINT_OF_EXAM in rule.reads:
                number = checks[name].number(rule)
                con.execute(
                    f"insert into {held(one.table)} select rid, {number} from {one.view} where not ({rule.sql}) "
                    f"and rid not in (select rid from {held(one.table)} where rule_no = {number})"
                )


def fits_joint(contract: Contract, table: Table) -> str:
    """SQL condition on `exam_id` and key of waiting lines: every code is one of the joint of the exam that came."""
    rules = [rule.sql for rule in rules_for(contract, table.name) if JOINT_OF_EXAM in rule.reads]
    if len(contract.joints) < 2 or not rules:
        return "true"
    text = ", ".join(f"cast(w.{quoted(name)} as varchar) as {quoted(name)}" for name in table.names)
    return (
        f"rowid in (select row from (select w.rowid as row, {text}, e.{JOINT} as {JOINT_OF_EXAM} "
        f"from reg.waiting.{quoted(table.name)} w join reg.exams e using (exam_id)) where {' and '.join(rules)})"
    )

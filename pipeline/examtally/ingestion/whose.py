"""Whose lines were held back: examiner and site, where they are codes that the registry knows.

An examiner is known who stands in the registry's examiners or exams once the batch is stored. Any other text of a
line that was held back is kept nowhere.
"""

from __future__ import annotations

from collections.abc import Mapping

import duckdb

from examtally.contracts.rules import literal
from examtally.contracts.tables import Table
from examtally.ingestion.staging import Staged

_OF_LINE = {
    "examiner_id": "select rid, examiner_id from ({lines})",
    "exam_id": (
        "select s.rid, coalesce(stored.examiner_id, sent.examiner_id) as examiner_id from ({lines}) s "
        "left join reg.exams stored using (exam_id) left join exams_sent sent using (exam_id)"
    ),
}


def keep_examiners(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], batch_no: int) -> None:
    """Keep the known examiner and site of each line in `broken`, by file and line."""
    if not con.execute("select 1 from broken limit 1").fetchall():
        return
    _list_sent(con, staged)
    con.execute(
        "create or replace temp table known_examiners as select examiner_id, any_value(site_id) as site_id from "
        "(select examiner_id, site_id from reg.examiners union all select examiner_id, null from reg.exams) "
        "group by examiner_id"
    )
    for name, one in staged.items():
        column, own = _column(one.table), f'from broken where "table" = {literal(name)}'
        if column is not None:
            lines = f"select * from {one.view} where rid in (select rid {own})"
            con.execute(
                f'insert into reg.held_by select distinct {batch_no}, b."table", l.file_no, b.place + l.shift, '
                f"k.examiner_id, k.site_id from ({own}) b "
                f"join ({_OF_LINE[column].format(lines=lines)}) w using (rid) join known_examiners k "
                "using (examiner_id) asof join line_shift l on b.part = l.part and b.place >= l.first order by all"
            )


def _list_sent(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged]) -> None:
    """The examiners of the exams of the batch, stored or not, where all lines of an exam name the same."""
    lines = staged["exams"].view if "exams" in staged else "reg.exams limit 0"
    con.execute(
        "create or replace temp table exams_sent as select exam_id, min(examiner_id) as examiner_id "
        f"from (select exam_id, examiner_id from {lines}) group by exam_id having count(distinct examiner_id) = 1"
    )


def _column(table: Table) -> str | None:
    return next((name for name in _OF_LINE if name in table.names), None)

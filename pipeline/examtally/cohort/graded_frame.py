"""What was found beyond positive and negative: grades, measures, signs, pain, end points, and the order of doing."""

from __future__ import annotations

import duckdb
import polars as pl

from examtally.contracts.contract import Contract

_CODED = ("sign", "pain", "end_point")


def read_graded_frame(con: duckdb.DuckDBPyConnection, contract: Contract) -> pl.DataFrame:
    """Return one row for each positive or negative finding of a mature index exam of a cohort's connection.

    - `place`: row of the exam in the verification frame of the same cohort, from 0
    - `maneuver`; `grade`, `measure`, `done_order` (numbers) and `sign`, `pain`, `end_point` (declared codes), null
      where not recorded, and where the examiner did not know
    - `other_measure`: what the same examiner measured on the other knee, recorded that day as a comparison knee
    - `other_is_normal`: the other knee was examined and found normal

    Sorted by maneuver and place.
    """
    frame: pl.DataFrame = con.sql(
        """
        with placed as (
            select exam_id, ek, (row_number() over (order by participant_id, exam_id) - 1)::uinteger as place
            from ex join people using (pk) where (own_bits & ~open_bits) <> 0
        ),
        compared as (
            select p.exam_id, arg_min(o.exam_id, (o.examiner_order, o.exam_id)) as other_id
            from placed p join used_exams e using (exam_id)
                join used_exams o using (participant_id, examiner_id, exam_day)
            where o.side <> e.side and o.complaint = 'no' group by p.exam_id
        )
        select place, f.maneuver, f.grade::utinyint as grade, f.measure::double as measure,
            f.done_order::usmallint as done_order, f.sign, f.pain, f.end_point, g.measure::double as other_measure,
            coalesce(e.other_knee = 'normal', false) as other_is_normal
        from placed join used_exams e using (exam_id) join used_findings f using (exam_id)
            left join compared using (exam_id)
            left join used_findings g on g.exam_id = other_id and g.maneuver = f.maneuver
        where f.result in ('positive', 'negative')
        order by f.maneuver, place
        """
    ).pl()
    fields = contract.tables["findings"]
    return frame.with_columns(
        pl.col(name).replace("unknown", None).cast(pl.Enum(fields.field(name).enum or ())) for name in _CODED
    )

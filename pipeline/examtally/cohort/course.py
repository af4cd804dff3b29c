"""What stands between an exam and the reading that settled it: the modality, the days, and who knew what."""

from __future__ import annotations

import polars as pl

from examtally.cohort.groupings import UNKNOWN
from examtally.contracts.catalogue.clinical import Condition
from examtally.contracts.records.engine import Engine

KNEW = ("yes", "no", UNKNOWN)


def read_course(con: Engine, condition: Condition) -> pl.DataFrame:
    """Return one row for each row of the verification frame of the same cohort, in its order.

    - `examiner_knew`: whether the examiner knew a result of the reference (yes, no, unknown)
    - `settled_by`, `days`, `reader_knew`: of the most authoritative reading, the earliest of several, that gave the
      status of `condition` (for a derived one: of a part); its modality, whole days from exam to reading, and whether
      its reader knew the exam. Null where the condition is not settled.
    """
    codes = [condition.code, *condition.derived_from]
    frame: pl.DataFrame = con.sql(
        f"""
        with taken as (select * from cohort_exams where (own_bits & ~open_bits) <> 0),
        target as (select bit from conditions where condition = $condition),
        read as (
            select x.ek, s.modality, s.reference_day - x.exam_day as days, a.rank,
                coalesce(s.exam_known, '{UNKNOWN}') as knew
            from used_references s join participant_keys k using (participant_id)
                join taken x on x.pk = k.pk and x.is_right = (s.side = 'right') and x.episode = s.episode
                join conditions c on c.condition = s.condition and c.condition in (select unnest($codes))
                join accepted_modalities a on a.bit = c.bit and a.modality = s.modality and a.status = s.status
                    and (coalesce(s.exam_known = 'no', false) or not a.is_blinded)
                cross join target
            where s.reference_day - x.exam_day between c.first_day and c.last_day and s.status = case
                when (x.present_bits & target.bit) <> 0 then 'present'
                when (x.absent_bits & target.bit) <> 0 then 'absent' end
        ),
        first as (
            select ek, arg_min(modality, (rank, days)) as settled_by, arg_min(days, (rank, days)) as days,
                arg_min(knew, (rank, days)) as reader_knew
            from read group by ek
        )
        select coalesce(e.reference_known, '{UNKNOWN}') as examiner_knew, settled_by, days::integer as days, reader_knew
        from taken join participant_keys using (pk) join used_exams e using (exam_id) left join first using (ek)
        order by participant_keys.participant_id, taken.exam_id
        """,
        params={"condition": condition.code, "codes": codes},
    ).pl()
    return frame.with_columns(pl.col("examiner_knew", "reader_knew").cast(pl.Enum(KNEW)))

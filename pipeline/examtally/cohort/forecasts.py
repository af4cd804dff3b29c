"""The examiners' stated probabilities beside what the reference standard said."""

from __future__ import annotations

import polars as pl

from examtally.contracts.records.engine import Engine


def read_forecasts(con: Engine) -> pl.DataFrame:
    """Return condition, forecast, role, participant, probability, outcome: one row a stated probability.

    Only of index exams (the episode's first) whose window has closed and whose condition is settled. `forecast` is
    examiner_after_history or examiner_after_exam, `participant` a number that stands for the person within this frame,
    `probability` from 0 to 1 as stated, `outcome` 1 where the condition was present and 0 where it was absent. Rows
    stand in the order of conditions, forecasts, participants and exams.
    """
    forecasts: pl.DataFrame = con.sql(
        """
        select c.condition, 'examiner_' || i.stage as forecast, l.label as role,
            dense_rank() over (order by participant_id)::bigint as participant,
            i.probability, ((present_bits & bit) <> 0)::bigint as outcome
        from used_impressions i join cohort_exams using (exam_id) join conditions c on c.condition = i.condition
            join participant_keys using (pk) join group_labels l on l.group_by = 'role' and l.code = g_role
        where (index_bits & ~open_bits & bit) <> 0 and ((present_bits | absent_bits) & bit) <> 0
        order by c.place, i.stage = 'after_exam', participant_id, exam_id
        """
    ).pl()
    return forecasts


def read_own_forecasts(con: Engine) -> pl.DataFrame:
    """Return condition, forecast, examiner, participant, probability, outcome: each examiner's own forecasts.

    As `read_forecasts`, but of each examiner's first eligible exam of an episode. `examiner` is the pseudonym.
    """
    forecasts: pl.DataFrame = con.sql(
        """
        select c.condition, 'examiner_' || i.stage as forecast, l.label as examiner,
            dense_rank() over (order by participant_id)::bigint as participant,
            i.probability, ((present_bits & bit) <> 0)::bigint as outcome
        from used_impressions i join cohort_exams using (exam_id) join conditions c on c.condition = i.condition
            join participant_keys using (pk) join group_labels l on l.group_by = 'examiner' and l.code = g_examiner
        where (own_bits & ~open_bits & bit) <> 0 and ((present_bits | absent_bits) & bit) <> 0
        order by c.place, i.stage = 'after_exam', examiner, participant_id, exam_id
        """
    ).pl()
    return forecasts


def read_stated(con: Engine) -> pl.DataFrame:
    """Return row, condition, forecast, probability: every stated probability, whether or not an answer is known.

    Of each examiner's first eligible exam of an episode whose window has closed. `row` is the exam's row in the
    verification frame of the same cohort, `forecast` examiner_after_history or examiner_after_exam.
    """
    stated: pl.DataFrame = con.sql(
        """
        with placed as (
            select (row_number() over (order by participant_id, exam_id) - 1)::bigint as row, exam_id,
                own_bits & ~open_bits as bits
            from cohort_exams join participant_keys using (pk) where (own_bits & ~open_bits) <> 0
        )
        select row, c.condition, 'examiner_' || i.stage as forecast, i.probability
        from used_impressions i join placed using (exam_id) join conditions c on c.condition = i.condition
        where (bits & bit) <> 0
        order by c.place, i.stage = 'after_exam', row
        """
    ).pl()
    return stated

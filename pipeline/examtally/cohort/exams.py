"""Which exam counts: eligibility, the index exam of each episode, and whether its window is still open.

Reads `used_exams` and `used_references`; leaves the temporary table `exam_eligibility`, one row an exam.
"""

from __future__ import annotations

from collections.abc import Collection

from examtally.cohort.groupings import EXAMS, Grouping, code_columns, code_joins
from examtally.cohort.reasons import number
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.engine import Engine
from examtally.contracts.records.rules import in_list


def write_keys(con: Engine, groups: tuple[Grouping, ...], chosen: str) -> None:
    """Write `participant_keys`, `exam_keys` (one row an exam, with its group codes) and `reference_rows`.

    `ek` numbers exams and `pk` participants, in no order that means anything; a knee is (pk, is_right), an episode
    (pk, is_right, episode). `chosen` is SQL over `e` (exams): whether an exam is in the study's population.
    `reference_rows` holds one row a reference row of a participant with an exam.
    """
    con.execute(
        "create temp table participant_keys as select participant_id, row_number() over ()::uinteger as pk "
        "from (select distinct participant_id from used_exams)"
    )
    con.execute(
        f"""
        create temp table exam_keys as
        select e.record::uinteger as ek, exam_id, pk, side = 'right' as is_right, episode, exam_day, examiner_order,
            period, complaint, setting, prior_surgery, reference_known, {chosen} as is_chosen, {code_columns(groups)}
        from {EXAMS} join participant_keys on participant_keys.participant_id = e.participant_id {code_joins(groups)}
        """
    )
    con.execute(
        """
        create temp table reference_rows as
        select pk, side = 'right' as is_right, episode, modality, reference_day, bit, status, severity,
            coalesce(exam_known = 'no', false) as is_blinded
        from used_references join participant_keys using (participant_id) join conditions using (condition)
        """
    )


def write_indexed(con: Engine, protocol: Protocol, every_bit: int, surgery: Collection[str]) -> None:
    """Write `exam_eligibility`: keys, groups, and for each exam

    - `base_reason`: number of the first reason that bars it from every condition, null where none does;
    - `eligible_bits`: the conditions it is eligible for;
    - `index_bits`: those for which it is the episode's first eligible exam;
    - `own_bits`: those for which it is its examiner's first eligible exam of the episode (`index_bits` among them);
    - `open_bits`: those whose window for a reference had not closed by the newest period of the registry;
    - `is_tie`: another exam of the episode was as early, so that the md5 of the identifiers decided.

    `surgery` are the modalities that are operations.
    """
    _write_barred(con, surgery)
    barred = "coalesce(barred_exams.bits, 0)" if protocol.eligibility.exclude_after_reference else "0"
    con.execute(
        f"""
        create temp table exam_eligibility as
        with eligible as (
            select exam_keys.* exclude (complaint, setting, prior_surgery, reference_known, is_chosen), open_bits,
                {_base_reason(protocol)} as base_reason,
                case when base_reason is null then {every_bit}::ubigint & ~{barred}::ubigint else 0::ubigint end
                    as eligible_bits
            from exam_keys join period_windows using (period)
                left join barred_exams using (ek) left join surgery_days using (pk, is_right, episode)
        )
        select *, eligible_bits & ~coalesce(bit_or(eligible_bits) over earlier, 0)::ubigint as index_bits,
            eligible_bits & ~coalesce(bit_or(eligible_bits) over earlier_own, 0)::ubigint as own_bits,
            count(*) filter (eligible_bits <> 0) over same_moment > 1 and index_bits <> 0 as is_tie
        from eligible
        window
            earlier as (partition by pk, is_right, episode {_FIRST}),
            earlier_own as (partition by pk, is_right, episode, g_examiner {_FIRST}),
            same_moment as (partition by pk, is_right, episode, exam_day, examiner_order)
        """
    )


_FIRST = "order by exam_day, examiner_order nulls last, md5(exam_id) rows between unbounded preceding and 1 preceding"


def _base_reason(protocol: Protocol) -> str:
    """SQL for the number of the first reason that bars an exam whatever the condition."""
    rules = protocol.eligibility
    settings = ", ".join(f"'{setting}'" for setting in rules.exclude_settings)
    asked = [
        ("outside_population", True, "not is_chosen"),
        ("comparison_knee", rules.exclude_comparison_knees, "complaint = 'no'"),
        ("operating_room", bool(settings), f"setting in ({settings})"),
        ("prior_surgery", rules.exclude_prior_surgery, "prior_surgery = 'yes'"),
        ("reference_known", rules.exclude_reference_known, "reference_known = 'yes'"),
        ("after_surgery", rules.exclude_after_surgery, "surgery_day < exam_day"),
    ]
    whens = " ".join(f"when {test} then {number(reason)}" for reason, is_asked, test in asked if is_asked)
    return f"(case {whens} end)::utinyint"


def _write_barred(con: Engine, surgery: Collection[str]) -> None:
    """Write `surgery_days` and `barred_exams`: exams with the conditions whose answer was out before."""
    con.execute(
        f"""
        create temp table surgery_days as select pk, is_right, episode, min(reference_day) as surgery_day
        from reference_rows where modality in {in_list(surgery or [""])} group by all
        """
    )
    con.execute(
        """
        create temp table barred_exams as
        with readings as (select distinct pk, is_right, episode, modality, reference_day from reference_rows),
        limits as (select modality, first_day, last_day, bit_or(bit) as bits from barring_modalities group by all)
        select ek, bit_or(bits) as bits
        from exam_keys join readings r using (pk, is_right, episode) join limits using (modality)
        where r.reference_day < exam_day
            and r.reference_day - exam_day not between first_day and last_day
        group by ek
        """
    )


def write_periods(con: Engine) -> None:
    """Write `period_windows`: for each period the conditions whose window, from its exams on, had not closed.

    A month is open while its last day + the window lies after the last day of the newest month; an ordinal while it is
    larger than the newest ordinal - the condition's immature periods.
    """
    con.execute(
        """
        create temp table period_windows as
        with dated as (
            select distinct period, last_day(try_strptime(period || '-01', '%Y-%m-%d')::date) as month_end,
                try_cast(nullif(ltrim(period, 'P'), period) as integer) as ordinal
            from used_exams
        ),
        newest as (select max(month_end) as newest_month_end, max(ordinal) as newest_ordinal from dated)
        select period, coalesce(bit_or(bit) filter (
            month_end + conditions.last_day > newest_month_end or ordinal > newest_ordinal - immature_periods
        ), 0)::ubigint as open_bits
        from dated, newest, conditions group by all
        """
    )


def recent(last_periods: int, core_bits: int) -> str:
    """SQL over `e`: whether an exam is of the newest `last_periods` periods in which every core window has closed."""
    if not last_periods:
        return "true"
    closed = f"select period from period_windows where (open_bits & {core_bits}::ubigint) = 0"
    return f"e.period in ({closed} order by period desc limit {last_periods})"

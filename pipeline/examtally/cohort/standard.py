"""What the reference standard says of each index exam: the most authoritative determinate result inside the window."""

from __future__ import annotations

from examtally.cohort.conditions import ConditionRule
from examtally.contracts.records.engine import Engine

_KINDS = ("row", "accepted", "inside", "present", "absent")


def write_standard(con: Engine, rules: tuple[ConditionRule, ...]) -> None:
    """Write `cohort_exams`: the columns of `exam_eligibility`, `is_repeat`, and for each exam the conditions with

    - `row_bits`: a row of that episode, whatever it is;
    - `accepted_bits`: a row by a modality that settles the condition, with a status which that modality may settle;
    - `inside_bits`: such a row inside the window, so that without a determinate status the reference is indeterminate;
    - `present_bits`, `absent_bits`: a determinate status. The most authoritative modality with a determinate result
      inside the window wins; where its results disagree the condition is in neither.

    A derived condition is present if one of its parts is and absent if all are; on the way there every part must have
    a row, an accepted row, a row inside. A row of its own counts only where no part has a row.
    `is_repeat` marks exams of participants with two or more index exams, who alone can share a cluster.
    """
    _write_resolved(con)
    bits = ", ".join(f"coalesce(s.{kind}_bits, 0)::ubigint as {kind}_bits" for kind in _KINDS)
    con.execute(
        f"""
        create temp table cohort_exams as
        select exam_eligibility.*, {bits},
            count(*) filter ((own_bits & ~open_bits) <> 0) over (partition by pk) > 1 as is_repeat
        from exam_eligibility left join ({_derived(rules)}) s using (ek)
        """
    )


def _write_resolved(con: Engine) -> None:
    con.execute(
        """
        create temp table reference_status as
        with read as (
            select ek, s.bit, s.status, a.rank,
                a.rank is not null and s.reference_day - x.exam_day between c.first_day and c.last_day as is_inside
            from reference_rows s join exam_eligibility x using (pk, is_right, episode)
                join conditions c on c.bit = s.bit
                left join accepted_modalities a on a.bit = s.bit and a.modality = s.modality and a.status = s.status
                    and (s.is_blinded or not a.is_blinded)
            where x.own_bits <> 0
        ),
        ranked as (
            select ek, bit, count(rank) > 0 as is_accepted, bool_or(is_inside) as is_inside,
                coalesce(min(rank) filter (is_inside and status = 'present'), 255) as present_rank,
                coalesce(min(rank) filter (is_inside and status = 'absent'), 255) as absent_rank
            from read group by ek, bit
        )
        select ek, bit_or(bit) as row_bits, bit_or(bit) filter (is_accepted) as accepted_bits,
            bit_or(bit) filter (is_inside) as inside_bits,
            bit_or(bit) filter (present_rank < absent_rank) as present_bits,
            bit_or(bit) filter (absent_rank < present_rank) as absent_bits
        from ranked group by ek
        """
    )


def _derived(rules: tuple[ConditionRule, ...]) -> str:
    """SQL for `reference_status` with every derived condition set from its parts."""
    source = (
        f"select ek, {', '.join(f'coalesce({k}_bits, 0)::ubigint as {k}_bits' for k in _KINDS)} from reference_status"
    )
    for rule in rules:
        if rule.parts:
            source = f"select ek, {', '.join(_from_parts(kind, rule) for kind in _KINDS)} from ({source})"
    return source


def _from_parts(kind: str, rule: ConditionRule) -> str:
    held = f"({kind}_bits & {rule.parts}::ubigint)"
    is_set = f"{held} <> 0" if kind == "present" else f"{held} = {rule.parts}::ubigint"
    return (
        f"case when (row_bits & {rule.parts}::ubigint) = 0 then {kind}_bits "
        f"when {is_set} then {kind}_bits | {rule.bit}::ubigint "
        f"else {kind}_bits & ~{rule.bit}::ubigint end as {kind}_bits"
    )

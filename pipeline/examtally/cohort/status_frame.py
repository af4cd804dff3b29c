"""What tells of a knee's true status beside its index exam: history, readings, surgery, other hands, later visits."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from examtally.cohort.groupings import EXAMS, UNKNOWN, text
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.engine import Engine

SAME_DAY, LATER = "same_day", "later"
_NOT_RECORDED = "not_recorded"
_ANSWERS = ("yes", "no", UNKNOWN, _NOT_RECORDED)
_CLIP = 0.02


@dataclass(frozen=True)
class StatusFrames:
    """Three frames; `row` is the row of an exam in the verification frame of the same cohort.

    - `exams`, one row for each of its rows, in its order: `knee` (a number for participant, side and episode), `index`
      (whether it is the episode's first for any condition), `age_years` (null where unknown), `activity`, `mechanism`,
      and `history_<item>` (yes, no, unknown, not_recorded)
    - `readings`: `row`, `condition`, `modality`, `present`, `severity`; one row for each modality that the protocol
      accepts and that gave a determinate result inside the window, null where its results contradict each other
    - `others`: `row`, `condition`, `visit` (same_day, later), `positive`, `negative` (findings of the condition's own
      maneuvers by other hands on the day of the index exam, or at later visits before the first reading), `odds` (sum
      of the log odds stated after those exams, kept away from 0 and 1) and `stated` (how many were)
    """

    exams: pl.DataFrame
    readings: pl.DataFrame
    others: pl.DataFrame


def read_status_frames(con: Engine, contract: Contract, protocol: Protocol) -> StatusFrames:
    """Read the frames of a cohort's connection; they go with its verification frame, row by row."""
    con.execute(
        """
        create or replace temp table status_exams as
        select (row_number() over (order by participant_id, exam_id) - 1)::integer as row, ek, exam_id, pk, is_right,
            episode, exam_day, index_bits & ~open_bits as model_bits,
            (dense_rank() over (order by participant_id, is_right, episode) - 1)::integer as knee
        from cohort_exams join participant_keys using (pk) where (own_bits & ~open_bits) <> 0
        """
    )
    exams = _read_exams(con, contract)
    readings: pl.DataFrame = con.sql(_READINGS).pl()
    others = _with_odds(con.sql(_OTHERS).pl())
    con.execute("drop table status_exams")
    accepted = list(protocol.reference.accepted)
    return StatusFrames(exams, *(part.filter(pl.col("condition").is_in(accepted)) for part in (readings, others)))


def _read_exams(con: Engine, contract: Contract) -> pl.DataFrame:
    items = tuple(contract.catalogue.history)
    answers = ", ".join(f"max(answer) filter (item = {text(item)}) as history_{item}" for item in items)
    told = "".join(f", coalesce(history_{item}, '{_NOT_RECORDED}') as history_{item}" for item in items)
    frame: pl.DataFrame = con.sql(
        f"""
        with told as (
            select exam_id{", " if items else ""}{answers}
            from used_history join status_exams using (exam_id) group by exam_id
        )
        select s.knee, s.model_bits <> 0 as index, p.age_years,
            coalesce(p.activity, '{UNKNOWN}') as activity, coalesce(e.mechanism, '{UNKNOWN}') as mechanism{told}
        from {EXAMS} join status_exams s on s.exam_id = e.exam_id left join told on told.exam_id = s.exam_id
        order by s.row
        """
    ).pl()
    levels = {
        "activity": _levels(contract, "participants", "activity"),
        "mechanism": _levels(contract, "exams", "mechanism"),
        **{f"history_{item}": _ANSWERS for item in items},
    }
    return frame.with_columns(pl.col(name).cast(pl.Enum(words)) for name, words in levels.items())


def _with_odds(told: pl.DataFrame) -> pl.DataFrame:
    """What others found and stated, with the sum of the log odds stated; summed in the order of the probabilities."""
    kept = pl.col("probability").clip(_CLIP, 1 - _CLIP)
    return (
        told.with_columns(odds=((kept / (1 - kept)).log() * pl.col("stated")).fill_null(0.0))
        .group_by("row", "condition", "visit", maintain_order=True)
        .agg(pl.col("positive", "negative", "odds", "stated").sum())
    )


def _levels(contract: Contract, table: str, column: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*(contract.tables[table].field(column).enum or ()), UNKNOWN)))


_READINGS = """
    select x.row, c.condition, s.modality,
        case when count(distinct s.status) = 1 then any_value(s.status) = 'present' end as present,
        case when count(distinct s.status) = 1 and count(distinct s.severity) = 1 then any_value(s.severity) end
            as severity
    from reference_rows s join status_exams x using (pk, is_right, episode) join conditions c on c.bit = s.bit
        join accepted_modalities a on a.bit = s.bit and a.modality = s.modality and a.status = s.status
            and (s.is_blinded or not a.is_blinded)
    where (x.model_bits & s.bit) <> 0 and s.status in ('present', 'absent')
        and s.reference_day - x.exam_day between c.first_day and c.last_day
    group by x.row, c.condition, c.place, s.modality order by x.row, c.place, s.modality
"""

_OTHERS = f"""
    with read as (
        select x.row, s.bit, min(s.reference_day) as first_day
        from reference_rows s join status_exams x using (pk, is_right, episode)
        where s.reference_day >= x.exam_day group by all
    ),
    seen as (
        select x.row, x.exam_day as index_day, x.model_bits, k.exam_id, k.exam_day
        from status_exams x join exam_keys k on k.pk = x.pk and k.is_right = x.is_right and k.ek <> x.ek
            and k.exam_day >= x.exam_day and (k.episode = x.episode or k.exam_day = x.exam_day)
        where x.model_bits <> 0 and coalesce(k.setting, '') <> 'operating_room'
            and coalesce(k.reference_known, '') <> 'yes' and coalesce(k.complaint, '') <> 'no'
    ),
    told as (
        select exam_id, p.condition, count(*) filter (result = 'positive') as positive,
            count(*) filter (result = 'negative') as negative, null::double as probability, 0 as stated
        from used_findings join pairs p using (maneuver)
        where exam_id in (select exam_id from seen) group by all
        union all
        select exam_id, condition, 0, 0, probability, 1
        from used_impressions where stage = 'after_exam' and exam_id in (select exam_id from seen)
    )
    select seen.row, c.condition,
        case when seen.exam_day = seen.index_day then '{SAME_DAY}' else '{LATER}' end as visit,
        sum(positive)::integer as positive, sum(negative)::integer as negative,
        told.probability, sum(stated)::integer as stated
    from seen join told using (exam_id) join conditions c using (condition)
        left join read on read.row = seen.row and read.bit = c.bit
    where (seen.model_bits & c.bit) <> 0
        and (seen.exam_day = seen.index_day or seen.exam_day <= least(read.first_day, seen.index_day + c.last_day))
    group by seen.row, c.condition, c.place, visit, told.probability
    order by seen.row, c.place, visit, told.probability
"""

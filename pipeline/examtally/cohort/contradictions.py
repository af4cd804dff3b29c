"""Exams whose core findings or stated probabilities the reference contradicted: what a case review opens."""

from __future__ import annotations

import polars as pl

from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.engine import Engine

LIKELY = 0.70
"""A probability stated after the exam above this expects the condition; below `monitoring.unlikely` it does not."""


def read_contradictions(con: Engine, contract: Contract, protocol: Protocol) -> pl.DataFrame:
    """Return exam_id, examiner_id, period, condition, maneuver, finding, probability, reference, severity.

    One row a contradiction in an exam that is its examiner's first eligible one of the episode, whose window has closed
    and whose condition is settled: a core maneuver positive with the condition absent or negative with it present
    (`finding`; not where the catalogue calls a negative one silent), or a probability stated after the exam above 0.70
    with it absent or below `monitoring.unlikely` with it present (`maneuver` is null then), so that every missed injury
    of the monthly report is among them. A maneuver answers for a derived condition only where it speaks of none of its
    parts: tenderness of the outer joint line says nothing of an inner tear. `severity` lists the codes of the readings
    inside the window that found it, null where none is recorded. Missed conditions stand first, then by condition and
    exam.
    """
    pairs = _pairs(contract, protocol)
    levels = (LIKELY, protocol.monitoring.unlikely)
    core = ", ".join(["(?, ?)"] * len(pairs)) or "(null, null)"
    silent = [maneuver for _, maneuver in pairs if contract.catalogue.maneuvers[maneuver].silent_when_negative]
    told = ", ".join(["?"] * len(silent)) or "null"
    found: pl.DataFrame = con.sql(
        f"""
        with read as (
            select ek, exam_id, c.place, c.condition, c.bit, maneuver, result as finding, null::double as probability
            from used_findings join pairs p using (maneuver) join conditions c on c.bit = p.bit
                join cohort_exams using (exam_id)
            where (c.condition, maneuver) in ({core})
                and (result = 'positive' or result = 'negative' and coalesce(maneuver not in ({told}), true))
            union all
            select ek, exam_id, c.place, c.condition, c.bit, null, null, probability
            from used_impressions i join conditions c using (condition) join cohort_exams using (exam_id)
            where stage = 'after_exam' and (probability > ? or probability < ?)
        ),
        held as (
            select read.*, (present_bits & bit) <> 0 as is_present
            from read join cohort_exams using (ek)
            where (own_bits & ~open_bits & bit) <> 0 and ((present_bits | absent_bits) & bit) <> 0
        ),
        severities as (
            select ek, c.bit, string_agg(distinct severity, ', ' order by severity) as severity
            from used_references r join participant_keys using (participant_id) join conditions c using (condition)
                join exam_eligibility x
                    on x.pk = participant_keys.pk and x.is_right = (r.side = 'right') and x.episode = r.episode
                join accepted_modalities a on a.bit = c.bit and a.modality = r.modality and a.status = r.status
            where r.status = 'present' and severity is not null
                and r.reference_day - x.exam_day between c.first_day and c.last_day
            group by all
        )
        select held.exam_id, e.examiner_id, e.period, condition, maneuver, finding, probability,
            case when is_present then 'present' else 'absent' end as reference, severity
        from held join used_exams e using (exam_id) left join severities using (ek, bit)
        where is_present and (finding = 'negative' or probability < ?)
            or not is_present and (finding = 'positive' or probability > ?)
        order by is_present desc, place, held.exam_id, maneuver nulls last
        """,
        params=[*(code for pair in pairs for code in pair), *silent, *levels, *reversed(levels)],
    ).pl()
    return found


def _pairs(contract: Contract, protocol: Protocol) -> list[tuple[str, str]]:
    """Core maneuvers with the conditions a finding of theirs can be wrong about."""
    catalogue = contract.catalogue
    return [
        (condition, maneuver)
        for maneuver in protocol.core
        for condition in catalogue.maneuvers[maneuver].conditions
        if not set(catalogue.conditions[condition].derived_from) & set(catalogue.maneuvers[maneuver].conditions)
    ]

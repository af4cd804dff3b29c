"""One narrow row an exam for what history and maneuvers say together."""

from __future__ import annotations

import polars as pl

from examtally.cohort.groupings import EXAMS, UNKNOWN, text
from examtally.cohort.verification_frame import RECORDED, Packed, coded, has_bit, places_of, result_place
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.engine import Engine
from examtally.contracts.records.rules import quoted

NOT_RECORDED = RECORDED[-1]
ANSWERS = ("yes", "no", "unknown", NOT_RECORDED)
_UNTOLD, _UNDONE = len(ANSWERS) - 1, len(RECORDED) - 1
STAGES = ("after_history", "after_exam")


def read_diagnostic_frame(
    con: Engine, contract: Contract, protocol: Protocol, *, with_unknown: bool = False
) -> pl.DataFrame:
    """Return the mature index exams of a cohort's connection whose status is determinate for any condition.

    All of them `with_unknown`: then they are the index exams of its status frame, in that order.

    - `participant`: a number that stands for the person within this frame; rows stand in the order of participants and
      exams
    - `age_years` (null where unknown), `days_since_onset` (null where unknown), `mechanism` (codes of the catalogue)
    - `history_<item>`: yes, no, unknown, not_recorded
    - `result_<maneuver>`: positive, negative, equivocal, not_done, not_recorded; an equivocal finding as the protocol
      counts it
    - for each condition that something settles: `present_<condition>`, null where the exam is not the episode's first
      eligible one, its window is open or no determinate reference lies in it; `after_history_<condition>` and
      `after_exam_<condition>`, the probabilities stated, null where none is
    """
    catalogue = contract.catalogue
    conditions = tuple(code for code in catalogue.conditions if code in protocol.reference.accepted)
    bits = dict(con.sql("select condition, bit from conditions").fetchall())
    mechanisms = tuple(dict.fromkeys((*(contract.tables["exams"].field("mechanism").enum or ()), UNKNOWN)))
    results, told = Packed(tuple(catalogue.maneuvers), "maneuver"), Packed(tuple(catalogue.history), "item")
    taken = "index_bits & ~open_bits" if with_unknown else "index_bits & ~open_bits & (present_bits | absent_bits)"
    stated = [f"{stage}_{code}" for code in conditions for stage in STAGES]
    frame: pl.DataFrame = con.sql(
        f"""
        with taken as (
            select *, index_bits & ~open_bits & (present_bits | absent_bits) as known_bits
            from cohort_exams where ({taken}) <> 0
        ),
        found as (
            select exam_id, {results.sums(result_place(protocol.equivocal))}
            from used_findings join {results.places} using (maneuver) join taken using (exam_id) group by exam_id
        ),
        history_rows as (
            select exam_id, {told.sums(places_of(ANSWERS, "answer"))}
            from used_history join {told.places} using (item) join taken using (exam_id) group by exam_id
        ),
        stated as (
            select exam_id, {_impressions(conditions)}
            from used_impressions join taken using (exam_id) group by exam_id
        )
        select dense_rank() over (order by participant_keys.participant_id)::bigint - 1 as participant,
            p.age_years, e.days_since_onset, coalesce(e.mechanism, '{UNKNOWN}') as mechanism,
            {told.words}, {results.words}, known_bits, present_bits, {", ".join(stated) or "null as none"}
        from {EXAMS} join taken on taken.exam_id = e.exam_id join participant_keys on participant_keys.pk = taken.pk
            left join found on found.exam_id = taken.exam_id
            left join history_rows on history_rows.exam_id = taken.exam_id
            left join stated on stated.exam_id = taken.exam_id
        order by participant_keys.participant_id, taken.exam_id
        """
    ).pl()
    return frame.select(
        "participant",
        "age_years",
        "days_since_onset",
        pl.col("mechanism").cast(pl.Enum(mechanisms)),
        *(coded(f"history_{item}", ANSWERS, of=told.code(item, _UNTOLD)) for item in told.names),
        *(coded(f"result_{m}", RECORDED, of=results.code(m, _UNDONE)) for m in results.names),
        *(
            pl.when(has_bit("known_bits", bits[code]))
            .then(has_bit("present_bits", bits[code]))
            .alias(f"present_{code}")
            for code in conditions
        ),
        *(stated or ["none"]),
    )


def _impressions(conditions: tuple[str, ...]) -> str:
    asked = [(stage, code) for code in conditions for stage in STAGES]
    return (
        ", ".join(
            f"max(probability) filter (condition = {text(code)} and stage = '{stage}')::double as {stage}_{code}"
            for stage, code in asked
        )
        or "null as none"
    )


_CODED = ("sign", "pain", "end_point")


def read_graded_frame(con: Engine, contract: Contract) -> pl.DataFrame:
    """Return one row for each positive or negative finding of a mature index exam of a cohort's connection.

    - `place`: row of the exam in the verification frame of the same cohort, from 0
    - `maneuver`; `grade`, `measure`, `done_order` (numbers) and `sign`, `pain`, `end_point` (declared codes), null
      where not recorded, and where the examiner did not know
    - `other_measure`: what the same examiner measured on the other knee, recorded that day as a comparison knee
    - `other_is_normal`: the other knee was examined and found normal

    Sorted by maneuver and place.
    """
    other_side = quoted(contract.catalogue.other_side_column)
    maneuvers = sorted(contract.catalogue.maneuvers)
    places = ", ".join(f"({text(name)}, {place}::utinyint)" for place, name in enumerate(maneuvers))
    words = {name: contract.tables["findings"].field(name).enum or () for name in _CODED}
    known = ", ".join(
        places_of(codes, f"nullif(f.{name}, '{UNKNOWN}')") + f"::utinyint as {name}" for name, codes in words.items()
    )
    frame: pl.DataFrame = con.sql(
        f"""
        with placed as (
            select exam_id, ek, (row_number() over (order by participant_id, exam_id) - 1)::uinteger as place
            from cohort_exams join participant_keys using (pk) where (own_bits & ~open_bits) <> 0
        ),
        compared as (
            select p.exam_id, arg_min(o.exam_id, (o.examiner_order, o.exam_id)) as other_id
            from placed p join used_exams e using (exam_id)
                join used_exams o using (participant_id, examiner_id, exam_day)
            where o.side <> e.side and o.complaint = 'no' group by p.exam_id
        ),
        measured as (
            select compared.exam_id, maneuver, measure from used_findings f join compared on f.exam_id = other_id
            where measure is not null
        )
        select place, m.code as maneuver, f.grade::utinyint as grade, f.measure::double as measure,
            f.done_order::usmallint as done_order, {known}, g.measure::double as other_measure,
            coalesce(e.{other_side} = 'normal', false) as other_is_normal
        from placed join used_exams e using (exam_id) join used_findings f using (exam_id)
            join (values {places}) m(maneuver, code) using (maneuver)
            left join measured g on g.exam_id = placed.exam_id and g.maneuver = f.maneuver
        where f.result in ('positive', 'negative')
        """
    ).pl()
    return frame.sort("maneuver", "place").with_columns(
        coded("maneuver", maneuvers), *(coded(name, codes) for name, codes in words.items())
    )

"""One narrow row an exam for the methods that ask who was verified: findings, statuses, and what may drive imaging."""

from __future__ import annotations

from collections.abc import Iterable

import duckdb
import polars as pl

from examtally.cohort.cells import RESULTS, STATUSES
from examtally.cohort.groupings import Grouping, text
from examtally.contracts.contract import Contract
from examtally.contracts.protocol import Protocol

NOT_RECORDED = len(RESULTS)
_OF_THEIR_OWN = ("overall", "examiner")


def read_verification_frame(
    con: duckdb.DuckDBPyConnection, groups: Iterable[Grouping], contract: Contract, protocol: Protocol
) -> pl.DataFrame:
    """Return the mature index exams of a cohort's connection, in the order of participants and exams.

    - `participant`, `examiner`: numbers that stand for the person within this frame
    - the public groupings by name (`role`, `setting`, `acuity`, `effusion`, …) with their labels
    - `result_<maneuver>`: place in RESULTS (0 positive, 1 negative, 2 equivocal, 3 not_done), NOT_RECORDED without a
      row; an equivocal finding as the protocol counts it
    - for each condition that something settles: `status_<condition>`, place in STATUSES (0 present, 1 absent,
      2 indeterminate, 3 unverified), null where the exam is not its examiner's first of the episode or its window is
      open; `index_<condition>`, whether it is the episode's first; `impression_<condition>`, the probability stated
      after the exam

    Everything but pooling by examiner uses rows with `index_<condition>` and a status.
    """
    named = [grouping for grouping in groups if grouping.public and grouping.name not in _OF_THEIR_OWN]
    maneuvers = tuple(contract.catalogue.maneuvers)
    conditions = tuple(code for code in contract.catalogue.conditions if code in protocol.reference.accepted)
    bits = dict(con.sql("select condition, bit from conditions").fetchall())
    frame: pl.DataFrame = con.sql(
        f"""
        with taken as (select * from ex where (own_bits & ~open_bits) <> 0),
        found as (
            select ek, {_results(maneuvers, protocol.equivocal)}
            from reg.findings join taken using (exam_id) group by ek
        ),
        stated as (
            select ek, {_impressions(conditions)}
            from reg.impressions join taken using (exam_id) where stage = 'after_exam' group by ek
        )
        select dense_rank() over (order by participant_id)::uinteger as participant, g_examiner as examiner,
            {"".join(f"{grouping.column} as {grouping.name}, " for grouping in named)}
            {"".join(f"coalesce(result_{m}, {NOT_RECORDED})::utinyint as result_{m}, " for m in maneuvers)}
            {"".join(_standing(code, bits[code]) for code in conditions)}
            {", ".join(f"impression_{code}" for code in conditions) or "null as none"}
        from taken left join found using (ek) left join stated using (ek) join people using (pk)
        order by participant_id, exam_id
        """
    ).pl()
    labels = con.sql("select group_by, label from labels order by group_by, code").pl()
    return frame.with_columns(
        (pl.col(grouping.name) - 1).cast(pl.UInt32).cast(pl.Enum(labels.filter(group_by=grouping.name)["label"]))
        for grouping in named
    )


def _results(maneuvers: tuple[str, ...], equivocal: str) -> str:
    """Every maneuver's result as a number."""
    recoded = {"positive": "positive", "negative": "negative", "excluded": "equivocal"}[equivocal]
    places = {result: place for place, result in enumerate(RESULTS)} | {"equivocal": RESULTS.index(recoded)}
    whens = " ".join(f"when '{result}' then {place}" for result, place in places.items())
    code = f"case result {whens} end"
    return ", ".join(f"max({code}) filter (maneuver = {text(m)}) as result_{m}" for m in maneuvers)


def _impressions(conditions: tuple[str, ...]) -> str:
    if not conditions:
        return "null as none"
    return ", ".join(
        f"max(probability) filter (condition = {text(code)})::float as impression_{code}" for code in conditions
    )


def _standing(condition: str, bit: int) -> str:
    held = f"{bit}::ubigint"
    status = (
        f"case when (present_bits & {held}) <> 0 then {STATUSES.index('present')} "
        f"when (absent_bits & {held}) <> 0 then {STATUSES.index('absent')} "
        f"when (inside_bits & {held}) <> 0 then {STATUSES.index('indeterminate')} "
        f"else {STATUSES.index('unverified')} end"
    )
    return (
        f"(case when (own_bits & ~open_bits & {held}) <> 0 then {status} end)::utinyint as status_{condition}, "
        f"(index_bits & {held}) <> 0 as index_{condition}, "
    )

"""One narrow row for each finding of an index exam and condition its maneuver speaks of.

`cells` is what tallies and flow count, and where later methods take their frames from: join `cohort_exams` by `ek` for
what holds for the exam, its group codes among it, and `pairs` by `cell // CELLS_A_PAIR` for condition and maneuver.

- `cell`: pair * 16 + result * 4 + status, see RESULTS and STATUSES
- `reason`: number of the flow reason the finding ends under
- `ek`: exam
- `is_index`: of the episode's first eligible exam; otherwise only of its examiner's first

Findings of exams whose window is open, of other than index exams and of ineligible exams are not in it.
"""

from __future__ import annotations

from collections.abc import Mapping

from examtally.cohort.reasons import number
from examtally.contracts.records.engine import Engine

RESULTS = ("positive", "negative", "equivocal", "not_done")
STATUSES = ("present", "absent", "indeterminate", "unverified")
CELLS_A_PAIR = len(RESULTS) * len(STATUSES)


def cell(result: str, status: str) -> int:
    """Return the number of a result and a reference status within a pair."""
    return RESULTS.index(result) * len(STATUSES) + STATUSES.index(status)


TWO_BY_TWO = {
    "tp": cell("positive", "present"),
    "fp": cell("positive", "absent"),
    "fn": cell("negative", "present"),
    "tn": cell("negative", "absent"),
}
"""The four cells of the 2x2 table, in the order of the products of the tallies."""


def write_cells(con: Engine, equivocal: str) -> None:
    """Write `cells`; `equivocal` says what an equivocal finding counts as: excluded, positive or negative."""
    con.execute(f"create temp table cells as {cell_rows(equivocal, {})}")


def cell_rows(equivocal: str, more: Mapping[str, str], joined: str = "") -> str:
    """SQL for the rows of `cells` with `more` columns, SQL by name over findings `f` and what is `joined`."""
    recoded = {"positive": "positive", "negative": "negative", "excluded": "equivocal"}[equivocal]
    places = {result: place for place, result in enumerate(RESULTS)} | {"equivocal": RESULTS.index(recoded)}
    results = " ".join(f"when '{result}' then {place}" for result, place in places.items())
    return f"""
        with read as (
            select p.pair, case f.result {results} end as result, {_STATUS} as status, {_SETTLED} as settled,
                ek, (index_bits & p.bit) <> 0 as is_index{"".join(f", {sql} as {name}" for name, sql in more.items())}
            from used_findings f join cohort_exams using (exam_id) join pairs p using (maneuver) {joined}
            where (own_bits & ~open_bits & p.bit) <> 0
        )
        select (pair * {CELLS_A_PAIR} + result * {len(STATUSES)} + status)::usmallint as cell,
            (case result when {RESULTS.index("not_done")} then {number("not_done")}
                when {RESULTS.index("equivocal")} then {number("equivocal")} else settled end)::utinyint as reason,
            ek, is_index{"".join(f", {name}" for name in more)}
        from read
    """


_STATUS = (
    "case when (present_bits & p.bit) <> 0 then 0 when (absent_bits & p.bit) <> 0 then 1 "
    "when (inside_bits & p.bit) <> 0 then 2 else 3 end"
)
_SETTLED = (
    f"case when ((present_bits | absent_bits) & p.bit) <> 0 then {number('analysed')} "
    f"when (inside_bits & p.bit) <> 0 then {number('reference_indeterminate')} "
    f"when (accepted_bits & p.bit) <> 0 then {number('outside_window')} "
    f"when (row_bits & p.bit) <> 0 then {number('modality_not_accepted')} else {number('not_verified')} end"
)

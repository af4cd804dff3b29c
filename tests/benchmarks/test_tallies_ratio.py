"""How long all tallies take for five million findings, against a strict join written by hand.

The strict join is one statement from the record tables to the 2x2 counts of every condition, maneuver and examiner: it
reads findings, exams and references, keeps each examiner's first eligible exam of an episode, takes the most
authoritative reading inside the window, and counts. It makes one grouping and no cluster sum. GROUP BYs over the
cohort's own one row an exam, and over a table of exam x condition, are told beside it: they join nothing that the
cohort has not joined for them.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import duckdb
import polars as pl
import pytest
from large_registry import fill
from paired import Aim, hold, in_turn

from examtally.cohort.cells import write_cells
from examtally.cohort.cohort import Cohort, build_cohort
from examtally.cohort.groupings import EXAMS, Grouping
from examtally.cohort.tallies import write_repeats
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol

ROUNDS = 3
CELLS = {
    "tp": ("positive", "present"),
    "fp": ("positive", "absent"),
    "fn": ("negative", "present"),
    "tn": ("negative", "absent"),
}
COUNTS = ", ".join(f"count(*) filter (f.result = '{r}' and status = '{s}') as {c}" for c, (r, s) in CELLS.items())
BITS = ", ".join(
    f"count(*) filter (f.result = '{result}' and ({status}_bits & q.bit) <> 0) as {name}"
    for name, (result, status) in CELLS.items()
)
PAIRS = "join (select condition, maneuver from pairs) q using (maneuver)"


@pytest.fixture
def cohort(tmp_path: Path, contract: Contract, protocol: Protocol) -> Cohort:
    """The cohort of a registry with five million findings, and its analysis set as a long table."""
    path = tmp_path / "registry.duckdb"
    with duckdb.connect() as con:
        con.execute(f"attach '{path}' as reg")
        fill(con, contract)
    con = duckdb.connect()
    con.execute("set enable_progress_bar = false")
    con.execute(f"attach '{path}' as reg (read_only)")
    made = build_cohort(con, contract, protocol)
    made.con.execute(
        """
        create temp table analysis_set as
        select exam_id, condition, case when (present_bits & bit) <> 0 then 'present'
            when (absent_bits & bit) <> 0 then 'absent' else 'unverified' end as status
        from cohort_exams join conditions on (own_bits & ~open_bits & bit) <> 0
        """
    )
    return made


def _by_hand(cohort: Cohort, group: str = "e.examiner_id") -> pl.DataFrame:
    """One GROUP BY by maneuver, condition and group, each examiner's first exams."""
    found: pl.DataFrame = cohort.con.sql(
        f"select maneuver, condition, {group}, count(*) as exams, {COUNTS} from reg.findings f {PAIRS} "
        f"join analysis_set using (exam_id, condition) join ({EXAMS}) on e.exam_id = f.exam_id group by all"
    ).pl()
    return found


STRICT_JOIN = f"""
    with eligible as (
        select exam_id, participant_id, side, episode, exam_day, examiner_id from reg.exams
        where complaint is distinct from 'no' and setting is distinct from 'operating_room'
            and prior_surgery is distinct from 'yes' and reference_known is distinct from 'yes'
        qualify row_number() over (
            partition by participant_id, side, episode, examiner_id
            order by exam_day, examiner_order nulls last, md5(exam_id)
        ) = 1
    ),
    verified as (
        select exam_id, condition, arg_min(r.status, rank) as status
        from reg."references" r join eligible using (participant_id, side, episode) join conditions c using (condition)
            join accepted_modalities a on a.bit = c.bit and a.modality = r.modality and a.status = r.status
        where reference_day - exam_day between first_day and last_day group by all
    )
    select maneuver, condition, examiner_id, count(*) as exams, {COUNTS}
    from reg.findings f {PAIRS} join eligible using (exam_id) left join verified using (exam_id, condition) group by all
"""
"""`conditions`, `accepted_modalities` and `pairs` hold what its user would type in."""


def _strict_join(cohort: Cohort) -> pl.DataFrame:
    """One GROUP BY by maneuver, condition and examiner, from the records."""
    found: pl.DataFrame = cohort.con.sql(STRICT_JOIN).pl()
    return found


def _over_cohort(cohort: Cohort, group: str = "g_examiner") -> None:
    """The same counts over the cohort's one row an exam."""
    cohort.con.execute(
        f"select maneuver, condition, {group}, count(*), {BITS} from reg.findings f join pairs q using (maneuver) "
        "join cohort_exams using (exam_id) where (own_bits & ~open_bits & q.bit) <> 0 group by all"
    ).fetchall()


def _separately(cohort: Cohort) -> None:
    """Every grouping by a GROUP BY of its own over that one row, without any cluster sum."""
    for grouping in _public(cohort):
        _over_cohort(cohort, grouping.column)


def _public(cohort: Cohort) -> list[Grouping]:
    return [grouping for grouping in cohort.groupings if grouping.public]


def _tallies(cohort: Cohort) -> pl.DataFrame:
    """All groupings with their cluster sums, the join included."""
    cohort.con.execute("drop table repeat_cells; drop table cells")
    write_cells(cohort.con, "excluded")
    write_repeats(cohort.con, cohort.groupings)
    return cohort.tallies()


def _whole(cohort: Cohort, contract: Contract, protocol: Protocol) -> None:
    with build_cohort(cohort.con, contract, protocol) as again:
        again.tallies()


@pytest.mark.benchmark_ratio
def test_tallies_against_group_bys_by_hand(
    cohort: Cohort, contract: Contract, protocol: Protocol, say: Callable[[str], None]
) -> None:
    by_hand, joined = _by_hand(cohort), _strict_join(cohort)
    tallies = _tallies(cohort).filter(group_by="examiner")
    for name in ("exams", *CELLS):
        assert by_hand[name].sum() == tallies[name].sum(), name
    whole = pl.col("condition").is_in([code for code, one in contract.catalogue.conditions.items() if one.derived_from])
    for name in CELLS:  # the join knows nothing of open windows and answers that were out before the exam
        apart = joined.filter(~whole)[name].sum() / tallies.filter(~whole)[name].sum() - 1
        assert abs(apart) < 0.25, (name, apart)
    say(f"tallies of 5 million findings, {len(_public(cohort))} groupings with cluster sums, against one strict join")
    taken = in_turn(
        say,
        ROUNDS,
        strict_join=lambda: _strict_join(cohort),
        by_hand=lambda: _by_hand(cohort),
        over_cohort=lambda: _over_cohort(cohort),
        over_cohort_one_by_one=lambda: _separately(cohort),
        tallies=lambda: _tallies(cohort),
        with_cohort=lambda: _whole(cohort, contract, protocol),
    )
    for name, words in (
        ("by_hand", "one GROUP BY over exam x condition"),
        ("over_cohort", "one GROUP BY over the cohort's one row an exam"),
        ("over_cohort_one_by_one", "as many of those as groupings"),
    ):
        ratios = [taken[ours] / taken[name] for ours in ("tallies", "with_cohort")]
        say(f"  against {words}: tallies {ratios[0]:.2f}, with the cohort {ratios[1]:.2f}")
    hold(
        say,
        Aim("processor time, tallies to the strict join", taken["tallies"] / taken["strict_join"], most=3),
        Aim("processor time, with the cohort to the strict join", taken["with_cohort"] / taken["strict_join"], most=5),
    )

"""How long all tallies take for five million findings, against GROUP BYs written by hand over the same join.

The join by hand goes over the analysis set as a table of exam x condition with its status, which is made beforehand
and not timed. A stricter base uses the cohort's own one row an exam, the cheapest form of that join there is.
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

ROUNDS = 5
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


def _strict(cohort: Cohort, group: str = "g_examiner") -> None:
    """The same over the cohort's one row an exam."""
    cohort.con.execute(
        f"select maneuver, condition, {group}, count(*), {BITS} from reg.findings f join pairs q using (maneuver) "
        "join cohort_exams using (exam_id) where (own_bits & ~open_bits & q.bit) <> 0 group by all"
    ).fetchall()


def _separately_strict(cohort: Cohort) -> None:
    """Every grouping by a GROUP BY of its own over that one row, without any cluster sum."""
    for grouping in _public(cohort):
        _strict(cohort, grouping.column)


def _public(cohort: Cohort) -> list[Grouping]:
    return [grouping for grouping in cohort.groupings if grouping.public]


def _tallies(cohort: Cohort) -> pl.DataFrame:
    """All groupings with their cluster sums, the join included."""
    cohort.con.execute("drop table repeat_cells; drop table cells")
    write_cells(cohort.con, cohort.groupings, "excluded")
    write_repeats(cohort.con, cohort.groupings)
    return cohort.tallies()


def _whole(cohort: Cohort, contract: Contract, protocol: Protocol) -> None:
    with build_cohort(cohort.con, contract, protocol) as again:
        again.tallies()


@pytest.mark.benchmark_ratio
def test_tallies_against_group_bys_by_hand(
    cohort: Cohort, contract: Contract, protocol: Protocol, say: Callable[[str], None]
) -> None:
    by_hand = _by_hand(cohort)
    tallies = _tallies(cohort).filter(group_by="examiner")
    for name in ("exams", *CELLS):
        assert by_hand[name].sum() == tallies[name].sum(), name
    say(f"tallies of 5 million findings, {len(_public(cohort))} groupings with cluster sums, against one GROUP BY")
    taken = in_turn(
        say,
        ROUNDS,
        by_hand=lambda: _by_hand(cohort),
        strict=lambda: _strict(cohort),
        strict_one_by_one=lambda: _separately_strict(cohort),
        tallies=lambda: _tallies(cohort),
        with_cohort=lambda: _whole(cohort, contract, protocol),
    )
    say(f"  against as many strict GROUP BYs as groupings: {taken['tallies'] / taken['strict_one_by_one']:.2f}")
    say(f"  with the cohort, against the one by hand: {taken['with_cohort'] / taken['by_hand']:.2f}")
    hold(
        say,
        Aim("processor time, tallies to one by hand", taken["tallies"] / taken["by_hand"], most=3),
        Aim("processor time, tallies to the strict one", taken["tallies"] / taken["strict"], most=3),
        Aim("processor time, with the cohort to the strict one", taken["with_cohort"] / taken["strict"], most=5),
    )

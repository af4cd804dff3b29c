"""What the registry says of the way to an answer, blind to the result by index test.

Nothing here crosses a finding with a reference: the prevalence is that of all verified knees of the population,
whatever was found in them, and how often a test is recorded and clear is counted whatever the reference said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import duckdb

from examtally.analytics.comparison.interactions import EXAMINER_GROUPS
from examtally.cohort.cohort import build_cohort
from examtally.cohort.groupings import UNKNOWN
from examtally.cohort.pairs import read_pairs
from examtally.contracts.study.study import Study
from examtally.registry import Registry

_PERIODS = 12


@dataclass(frozen=True)
class Rates:
    """Counts over the index exams of the study's population; knees are knee-episodes.

    `eligible` index exams, `open_` of them with a window still open, the rest mature; of the mature `recorded` have a
    finding of every test, `clear` a positive or negative one of every test, `verified` a determinate reference,
    `present` the condition. `squares` and `in_clusters` are the sums of squared and plain numbers of verified knees of
    one participant. `a_period` is the median number of eligible knees of a period, over at most twelve closed periods;
    `periods` how many those are. `pairs` is the number of pairs of exams for agreement on the first test, over
    `all_periods` of the registry. `examiners` counts, for groups made of examiners, those behind each group compared.
    """

    eligible: int
    open_: int
    recorded: int
    clear: int
    verified: int
    present: int
    squares: int
    in_clusters: int
    a_period: float
    periods: int
    is_monthly: bool
    pairs: int
    all_periods: int
    examiners: Mapping[str, int]

    @property
    def mature(self) -> int:
        """Index exams whose window has closed."""
        return self.eligible - self.open_


def read_rates(registry: Registry, study: Study, tests: Sequence[str]) -> Rates:
    """Count what a plan for these index tests needs."""
    contract = study.contract
    with build_cohort(registry.con, contract, study.protocol, study.selection) as cohort:
        con = cohort.con
        code = study.selection.target.condition if study.selection.target else "none"
        ((bit,),) = con.execute("select bit from conditions where condition = ?", [code]).fetchall()
        eligible, open_, verified, present = con.execute(_OF_EXAMS, {"bit": bit}).fetchall()[0]
        recorded, clear = con.execute(_OF_FINDINGS, {"bit": bit, "tests": list(tests), "n": len(tests)}).fetchall()[0]
        squares, in_clusters = con.execute(_OF_PEOPLE, {"bit": bit}).fetchall()[0]
        a_period, periods, is_monthly = _accrual(con, bit)
        pairs = read_pairs(con, study.protocol, with_examiners=False)
        return Rates(
            eligible=eligible,
            open_=open_,
            recorded=recorded,
            clear=clear,
            verified=verified,
            present=present,
            squares=squares,
            in_clusters=in_clusters,
            a_period=a_period,
            periods=periods,
            is_monthly=is_monthly,
            pairs=pairs.filter(maneuver=tests[0], group_by="overall").height,
            all_periods=con.execute("select count(distinct period) from used_exams").fetchall()[0][0],
            examiners=_examiners(con, bit, study),
        )


def _examiners(con: duckdb.DuckDBPyConnection, bit: int, study: Study) -> dict[str, int]:
    """Examiners behind each group that the first primary analysis compares; empty where examiners make no group."""
    group_by = study.primary[0].group_by
    if study.primary[0].kind != "by_group" or group_by not in EXAMINER_GROUPS:
        return {}
    counted: dict[str, int] = dict(
        con.execute(
            "select label, count(distinct g_examiner) from cohort_exams ex join group_labels "
            f"on group_by = '{group_by}' and code = g_{group_by} where (index_bits & $bit) <> 0 "
            "group by label order by label",
            {"bit": bit},
        ).fetchall()
    )
    pairs = study.protocol.comparisons.groups.get(group_by, ())
    named = dict.fromkeys(group for pair in pairs for group in pair) or counted
    return {group: counted.get(group, 0) for group in named if group != UNKNOWN}


def _accrual(con: duckdb.DuckDBPyConnection, bit: int) -> tuple[float, int, bool]:
    """Median of the eligible knees of a period, how many periods it is over, and whether they are months.

    The newest period of the registry may not be over and is left out; a period without a knee counts as 0.
    """
    rows = con.execute(
        "select e.period, count(*) filter (ex.exam_id is not null) from used_exams e left join cohort_exams ex on "
        "ex.exam_id = e.exam_id and (ex.index_bits & $bit) <> 0 group by e.period order by e.period",
        {"bit": bit},
    ).fetchall()
    counts = sorted(n for _, n in rows[:-1][-_PERIODS:])
    is_monthly = bool(rows) and not rows[0][0].startswith("P")
    if not counts:
        return 0.0, 0, is_monthly
    middle = len(counts) // 2
    median = counts[middle] if len(counts) % 2 else (counts[middle - 1] + counts[middle]) / 2
    return float(median), len(counts), is_monthly


_MATURE = "(index_bits & ~open_bits & $bit) <> 0"
_OF_EXAMS = f"""
    select count(*) filter ((index_bits & $bit) <> 0), count(*) filter ((index_bits & open_bits & $bit) <> 0),
        count(*) filter ({_MATURE} and ((present_bits | absent_bits) & $bit) <> 0),
        count(*) filter ({_MATURE} and (present_bits & $bit) <> 0)
    from cohort_exams ex
"""
_OF_FINDINGS = f"""
    select count(*) filter (n = $n), count(*) filter (clear = $n) from (
        select exam_id, count(*) as n, count(*) filter (result in ('positive', 'negative')) as clear
        from used_findings join cohort_exams ex using (exam_id) where maneuver in (select unnest($tests)) and {_MATURE}
        group by exam_id
    )
"""
_OF_PEOPLE = f"""
    select coalesce(sum(n * n), 0)::bigint, coalesce(sum(n), 0)::bigint from (
        select pk, count(*) as n from cohort_exams ex where {_MATURE} and ((present_bits | absent_bits) & $bit) <> 0
        group by pk
    )
"""

"""What the registry says of the way to an answer, blind to the result by index test.

Nothing here crosses a finding with a reference: the prevalence is that of all verified knees of the population,
whatever was found in them, and how often a test is recorded and clear is counted whatever the reference said.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from examtally.analytics.comparison.interactions import EXAMINER_GROUPS
from examtally.cohort.cohort import build_cohort
from examtally.cohort.groupings import groupings
from examtally.cohort.pairs import read_pairs
from examtally.cohort.verification_frame import graded
from examtally.contracts.protocol.estimates import SEVERITY
from examtally.contracts.records.engine import Engine
from examtally.contracts.study.study import Study
from examtally.registry import Registry
from examtally.studies.declared import compared_groups

_PERIODS = 12
_DAYS_A_MONTH = 365.25 / 12


@dataclass(frozen=True)
class Rates:
    """Counts over the index exams of the study's population; knees are knee-episodes.

    `eligible` index exams, `open_` of them with a window still open, the rest mature; of the mature `recorded` have
    every test done, `clear` a positive or negative finding of every test, `verified` a determinate reference,
    `present` the condition. `squares` and `in_clusters` are the sums of squared and plain numbers of verified knees of
    one participant. `a_period` is the median number of eligible knees of a period, over at most twelve closed periods;
    `periods` how many those are. `pairs` is the number of pairs of exams for agreement on the first test, over
    `all_periods` of the registry. `groups` counts the eligible index exams of each group that the first primary
    analysis compares (by severity: of the mature ones with the condition), `examiners`, for groups made of examiners,
    those behind each. `delay` is the number of periods until the reference standard of an exam has come, or no longer
    counts.
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
    groups: Mapping[str, int]
    examiners: Mapping[str, int]
    delay: int

    @property
    def mature(self) -> int:
        """Index exams whose window has closed."""
        return self.eligible - self.open_


def read_rates(registry: Registry, study: Study, tests: Sequence[str]) -> Rates:
    """Count what a plan for these index tests needs."""
    with build_cohort(registry.con, study.contract, study.protocol, study.selection) as cohort:
        return rates_of(cohort.con, study, tests)


def rates_of(con: Engine, study: Study, tests: Sequence[str]) -> Rates:
    """The same from the connection of the study's cohort."""
    code = study.selection.target.condition if study.selection.target else "none"
    ((bit,),) = con.execute("select bit from conditions where condition = ?", [code]).fetchall()
    eligible, open_, verified, present = con.execute(_OF_EXAMS, {"bit": bit}).fetchall()[0]
    recorded, clear = con.execute(_OF_FINDINGS, {"bit": bit, "tests": list(tests), "n": len(tests)}).fetchall()[0]
    squares, in_clusters = con.execute(_OF_PEOPLE, {"bit": bit}).fetchall()[0]
    a_period, periods, is_monthly = _accrual(con, bit)
    group_by = study.primary[0].group_by
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
        groups=_by_group(con, bit, study, "*"),
        examiners=_by_group(con, bit, study, "distinct g_examiner") if group_by in EXAMINER_GROUPS else {},
        delay=_delay(con, code, is_monthly=is_monthly),
    )


def _by_group(con: Engine, bit: int, study: Study, what: str) -> dict[str, int]:
    """Counts of `what` in the two groups that the first primary analysis compares; empty where it compares none."""
    group_by = study.primary[0].group_by
    pairs = compared_groups(study, groupings(study.contract, study.protocol)).get(str(group_by), ())
    if study.primary[0].kind != "by_group" or not pairs:
        return {}
    if group_by == SEVERITY:
        counted = _by_severity(con, bit, study)
    else:
        counted = dict(
            con.execute(
                f"select label, count({what}) from cohort_exams ex join group_labels "
                f"on group_by = '{group_by}' and code = g_{group_by} where (index_bits & $bit) <> 0 group by label",
                {"bit": bit},
            ).fetchall()
        )
    return {group: counted.get(group, 0) for group in pairs[0]}


def _by_severity(con: Engine, bit: int, study: Study) -> dict[str, int]:
    """Mature index exams with the condition, by the degree that was named."""
    assert study.selection.target is not None  # a study by severity has one
    condition = study.contract.catalogue.conditions[study.selection.target.condition]
    bits = dict(con.execute("select condition, bit from conditions").fetchall())
    named = con.execute(
        f"select severity_{condition.code}, count(*) from ({graded([condition], bits)}) "
        f"join cohort_exams ex using (ek) where {_MATURE} and (present_bits & $bit) <> 0 group by all",
        {"bit": bit},
    ).fetchall()
    return {condition.severity[place].code: number for place, number in named if place is not None}


def _delay(con: Engine, condition: str, *, is_monthly: bool) -> int:
    """Periods in which the window of a condition closes; 0 without a window."""
    found = con.execute("select last_day, immature_periods from conditions where condition = ?", [condition]).fetchall()
    ((last_day, periods),) = found or [(None, 0)]
    if not is_monthly:
        return int(periods or 0)
    return math.ceil((last_day or 0) / _DAYS_A_MONTH)


def _accrual(con: Engine, bit: int) -> tuple[float, int, bool]:
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
        from used_findings join cohort_exams ex using (exam_id) where maneuver in (select unnest($tests))
            and result <> 'not_done' and {_MATURE}
        group by exam_id
    )
"""
_OF_PEOPLE = f"""
    select coalesce(sum(n * n), 0)::bigint, coalesce(sum(n), 0)::bigint from (
        select pk, count(*) as n from cohort_exams ex where {_MATURE} and ((present_bits | absent_bits) & $bit) <> 0
        group by pk
    )
"""

"""Days that are calendar days in disguise: an offset from one common date tells when a person was seen.

Looked at over all participants of a batch, 20 or more; days that are the same for everyone never count.
"""

from __future__ import annotations

from collections.abc import Mapping

import duckdb

FEWEST_PARTICIPANTS = 20
FURTHEST_MEDIAN_DAY = 4000
BIRTHDAY_SHARE = 0.8
FEWEST_PERIODS = 6
DAYS_A_PERIOD = (20, 40)
_TOP_AGE = 90  # 90 and over are one age
_DAYS = (("exams", "exam_day", "period"), ("references", "reference_day", "null"))
WITH_DAYS = tuple(table for table, _, _ in _DAYS)
_MEND = "give each participant days on a clock of their own, such as days since their first visit"


def disguised_days(con: duckdb.DuckDBPyConnection, sources: Mapping[str, str]) -> list[str]:
    """Return one line for each way in which the days of `sources` (table to SQL) look like calendar days."""
    days = " union all ".join(
        f"select participant_id, cast({day} as integer) as day, cast({period} as varchar) as period "
        f"from {sources[table]}"
        for table, day, period in _DAYS
        if table in sources
    )
    if not days:
        return []
    con.execute(
        "create or replace temp table clocks as select participant_id, min(day) as first_day, "
        f"arg_min(period, day) filter (period is not null) as period from ({days}) group by participant_id"
    )
    ((participants, distinct, median),) = con.execute(
        "select count(*), count(distinct first_day), median(first_day) from clocks"
    ).fetchall()
    if participants < FEWEST_PARTICIPANTS or distinct == 1:
        return []
    found = {
        f"lie far from 0 (median beyond ±{FURTHEST_MEDIAN_DAY})": abs(median) > FURTHEST_MEDIAN_DAY,
        "follow the participants' ages": "participants" in sources and _follow_age(con, sources["participants"]),
        f"climb {DAYS_A_PERIOD[0]} to {DAYS_A_PERIOD[1]} days a period": _climb(con),
    }
    return [
        f"exams, references: the days {words}, as calendar days do; {_MEND}" for words, is_so in found.items() if is_so
    ]


def _follow_age(con: duckdb.DuckDBPyConnection, participants: str) -> bool:
    """Whether the first days are days since birth, within a year, for most participants of known age."""
    ((known, ages, near),) = con.execute(
        f"""select count(*), count(distinct age), count(*) filter (abs(first_day / 365.25 - age - 0.5) <= 1)
        from (select participant_id, cast(age_years as integer) as age from {participants})
        join clocks using (participant_id)
        where age < {_TOP_AGE}"""
    ).fetchall()
    return bool(known >= FEWEST_PARTICIPANTS and ages > 1 and near >= BIRTHDAY_SHARE * known)


def _climb(con: duckdb.DuckDBPyConnection) -> bool:
    """Whether the median first day rises over a stretch of periods by about a month each."""
    number = (
        "case when starts_with(period, 'P') then cast(period[2:] as integer) "
        "else 12 * cast(period[:4] as integer) + cast(period[6:] as integer) end"
    )
    medians = con.execute(
        f"select {number} as place, median(first_day) from clocks where period is not null group by all order by all"
    ).fetchall()
    start = 0
    for end in range(1, len(medians) + 1):
        if end == len(medians) or medians[end][1] <= medians[end - 1][1]:
            (first, low), (last, high) = medians[start], medians[end - 1]
            if end - start >= FEWEST_PERIODS and DAYS_A_PERIOD[0] <= (high - low) / (last - first) <= DAYS_A_PERIOD[1]:
                return True
            start = end
    return False

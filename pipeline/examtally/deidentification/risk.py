"""What could still point at a person after de-identification: small groups, unique records, days pinned down.

Counted on the record tables that the mapping makes of the written files, as somebody who gets them would.
"""

from __future__ import annotations

from dataclasses import dataclass

import duckdb

FEW = 5
_COARSEN = {
    "bmi": "leave bmi out",
    "period": "use ordinal periods, or share for each quarter only",
    "site": "leave site_id out, or merge sites",
    "age": "leave age_years out, or give the middle of a band of five years",
}
_GROUPS = (
    ("age", "sex"),
    ("age", "sex", "activity"),
    ("age", "sex", "period"),
    ("age", "sex", "site"),
    ("age", "sex", "bmi"),
    ("age", "sex", "activity", "period", "site"),
)


@dataclass(frozen=True)
class Risk:
    """One row of the residual-risk table.

    For a group of columns `smallest` is k, the fewest people who share their values, `people` those in groups of fewer
    than FEW, `alone` those who share them with nobody. For days `smallest` and `median` are the days on which the
    first exam of a person can have been, `people` those with fewer than FEW of them, `alone` those with one.
    """

    measure: str
    about: str
    smallest: int
    median: float
    people: int
    alone: int
    all_people: int
    coarsen: tuple[str, ...]


def residual_risk(con: duckdb.DuckDBPyConnection, month_zero: int) -> tuple[Risk, ...]:
    """Return the table for the staged record tables of `con`; `month_zero` is the month before P001."""
    if not con.execute("select 1 from duckdb_views() where view_name = 'staged_exams'").fetchall():
        return ()
    _make_people(con)
    return (*_small_groups(con), *_pinned(con, month_zero), *_public_injuries(con))


def _view(con: duckdb.DuckDBPyConnection, table: str, columns: str) -> str:
    """A staged table, or an empty one of the same columns."""
    if con.execute("select 1 from duckdb_views() where view_name = ?", [f"staged_{table}"]).fetchall():
        return f'"staged_{table}"'
    nothing = ", ".join(f"null::varchar as {name.strip()}" for name in columns.split(","))
    return f"(select {nothing} where false)"


def _make_people(con: duckdb.DuckDBPyConnection) -> None:
    """One row a person: what a neighbour may know, the period and the site being those of the first exam."""
    participants = _view(con, "participants", "participant_id, age_years, sex, bmi, activity")
    examiners = _view(con, "examiners", "examiner_id, site_id")
    con.execute(
        f"""create or replace temp table seen_exams as select distinct e.participant_id, e.period, e.setting, x.site_id,
            try_cast(e.exam_day as integer) as day
        from staged_exams e left join (select examiner_id, any_value(site_id order by site_id) as site_id
            from {examiners} group by all) x using (examiner_id) where e.participant_id is not null"""
    )
    con.execute(
        f"""create or replace temp table people as
        select participant_id, age, sex, bmi, activity, period, site from
            (select participant_id, min(period) as period, arg_min(site_id, day) as site from seen_exams group by all)
            left join (select participant_id, any_value(age_years order by age_years) as age,
                any_value(sex order by sex) as sex, any_value(bmi order by bmi) as bmi,
                any_value(activity order by activity) as activity from {participants} group by all)
            using (participant_id)"""
    )


def _small_groups(con: duckdb.DuckDBPyConnection) -> list[Risk]:
    found = []
    for columns in _GROUPS:
        if not all(_is_known(con, name) for name in columns):
            continue
        row = _grouped(con, "people", ", ".join(columns))
        if row is not None:
            mends = tuple(_COARSEN[name] for name in reversed(columns) if name in _COARSEN and row[2])
            found.append(Risk("group", " + ".join(columns), *row, mends))
    return found


def _is_known(con: duckdb.DuckDBPyConnection, column: str) -> bool:
    ((filled,),) = con.execute(f"select count({column}) from people").fetchall()
    return bool(filled)


def _grouped(con: duckdb.DuckDBPyConnection, table: str, columns: str) -> tuple[int, float, int, int, int] | None:
    ((smallest, median, few, alone, everybody),) = con.execute(
        f"""select min(k), median(k), sum(k) filter (k < {FEW}), sum(k) filter (k = 1), sum(k)
        from (select count(distinct participant_id) as k from {table} group by {columns})"""
    ).fetchall()
    if not everybody:
        return None
    return int(smallest), float(median), int(few or 0), int(alone or 0), int(everybody)


def _pinned(con: duckdb.DuckDBPyConnection, month_zero: int) -> list[Risk]:
    """To how many days the months and the intervals between a person's exams pin the first of them."""
    ((smallest, median, few, alone, everybody),) = con.execute(
        f"""select min(days), median(days), count(*) filter (days < {FEW}), count(*) filter (days = 1), count(*) from (
            select participant_id, min(last - day) - max(first - day) + 1 as days from (
                select *, date_diff('day', date '1970-01-01', start) as first,
                    date_diff('day', date '1970-01-01', last_day(start)) as last
                from (select participant_id, day, make_date(month // 12, 1 + month % 12, 1) as start from (
                    select *, case when starts_with(period, 'P') then {month_zero} + cast(period[2:] as integer)
                        else 12 * cast(period[:4] as integer) + cast(period[6:] as integer) - 1 end as month
                    from seen_exams
                    where day is not null and regexp_full_match(period, 'P[0-9]{{3}}|[0-9]{{4}}-[0-9]{{2}}')))
            ) group by participant_id)"""
    ).fetchall()
    if not everybody:
        return []
    mends = (_COARSEN["period"],) if few else ()
    return [Risk("days", "period and intervals together", smallest, float(median), few, alone, everybody, mends)]


def _public_injuries(con: duckdb.DuckDBPyConnection) -> list[Risk]:
    """An injury beside the field in competition is often in the newspaper, with its day and place."""
    con.execute(
        """create or replace temp table seen_in_public as select participant_id, e.period, e.site_id
        from seen_exams e join people using (participant_id)
        where e.setting = 'sideline' and activity = 'competitive_sport'"""
    )
    row = _grouped(con, "seen_in_public", "period, site_id")
    if row is None:
        return []
    mends = (_COARSEN["period"], _COARSEN["site"], "call the setting unknown") if row[2] else ()
    return [Risk("public", "sideline, competitive sport, month, site", *row, mends)]

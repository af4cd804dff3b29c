"""What can be wrong with a batch though each of its lines passes: any of it stops the batch.

Period forms (a registry uses calendar months or ordinals, never both) and probabilities written as percent.
"""

from __future__ import annotations

from collections.abc import Mapping

import duckdb

from examtally.contracts.records.rules import number_sql, quoted
from examtally.errors import FileFault
from examtally.ingestion.checking.days import FEWEST_PARTICIPANTS, WITH_DAYS, disguised_days
from examtally.ingestion.checking.gate import held
from examtally.ingestion.reading.staging import Staged

_PERIODS = (("exams", "period"), ("examiners", "start_period"))
_ONE_FORM = "one registry uses one of the two, keep to it"
_FORMS = {True: "ordinals (P001)", False: "calendar months (2026-03)"}


def check_batch(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged]) -> None:
    """Raise FileFault, one line a fault, for what is wrong with the batch by itself."""
    passing = {name: _passing(table) for name, table in staged.items()}
    faults = [*_percent(con, staged), *_mixed_periods(con, passing)]
    faults += disguised_days(con, passing) if _may_tell_days(staged) else []
    if faults:
        raise FileFault(*faults)


def check_against_registry(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged]) -> None:
    """Raise FileFault where the batch does not go with the attached registry: other periods, days that are ages."""
    passing = {name: _passing(table) for name, table in staged.items()}
    new, stored = _forms(con, passing), _forms(con, {table: f"reg.{quoted(table)}" for table, _ in _PERIODS})
    if new and stored and new != stored:
        raise FileFault(f"exams: periods are {_words(new)}, the registry has {_words(stored)}; {_ONE_FORM}")
    stored_people = {"participants": 'reg."participants"'}
    faults = disguised_days(con, {**stored_people, **passing}) if _may_tell_days(staged) else []
    if faults:
        raise FileFault(*faults)


def _may_tell_days(staged: Mapping[str, Staged]) -> bool:
    """Whether the lines could be of as many participants as it takes."""
    return sum(staged[name].lines for name in WITH_DAYS if name in staged) >= FEWEST_PARTICIPANTS


def _passing(staged: Staged) -> str:
    return f"(select * from {staged.view} where rid not in (select rid from {held(staged.table)}))"


def _forms(con: duckdb.DuckDBPyConnection, sources: Mapping[str, str]) -> set[bool]:
    """Whether periods are ordinals (True) or calendar months (False); both where mixed, empty where there are none."""
    found: set[bool] = set()
    for table, column in _PERIODS:
        if table in sources:
            rows = con.execute(
                f"select distinct starts_with({column}, 'P') from {sources[table]} where {column} is not null"
            )
            found |= {form for (form,) in rows.fetchall()}
    return found


def _words(forms: set[bool]) -> str:
    return " and ".join(_FORMS[form] for form in sorted(forms))


def _mixed_periods(con: duckdb.DuckDBPyConnection, passing: Mapping[str, str]) -> list[str]:
    forms = _forms(con, passing)
    return (
        [f"exams: periods are written as {_words(forms)}; one registry uses one of the two"] if len(forms) > 1 else []
    )


def _percent(con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged]) -> list[str]:
    """A column most of whose numbers are over 1 holds percent; a few numbers over 1 are slips, held back one by one."""
    if "impressions" not in staged:
        return []
    impressions = staged["impressions"]
    value = number_sql(impressions.table.field("probability"))
    ((over, numbers),) = con.execute(
        f"select count(*) filter ({value} > 1), count({value}) from {impressions.view}"
    ).fetchall()
    if 2 * over <= numbers:
        return []
    return ["impressions: probability holds values over 1, as percent do; divide the column by 100"]

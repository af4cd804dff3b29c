"""The SQL of the package in Spark's words; not run where sqlglot is not installed."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

pytest.importorskip("sqlglot", reason="not run: no sqlglot; the extra `spark` brings it")

from examtally.errors import EngineError
from examtally.spark.dialect import in_spark, sources, statements

COLUMNS = {"SELECT * FROM a": ("x", "y"), "SELECT * FROM b": ("y", "z")}
TRANSLATED = {
    "select 5::ubigint & ~bits as kept from a": "SELECT CAST(5 AS BIGINT) & ~bits AS kept FROM a",
    "select bit::uinteger, n::utinyint, m::usmallint from a": (
        "SELECT CAST(bit AS BIGINT), CAST(n AS SMALLINT), CAST(m AS INT) FROM a"
    ),
    "select person, row_number() over () as pk from a": (
        "SELECT person, ROW_NUMBER() OVER (ORDER BY person NULLS LAST) AS pk FROM a"
    ),
    "with c as materialized (select 1 as x) select x from c": "WITH c AS (SELECT 1 AS x) SELECT x FROM c",
    "select try_strptime(period, '%Y-%m-%d') from a": "SELECT TRY_TO_TIMESTAMP(period, 'yyyy-MM-dd') FROM a",
    "select rowid as record from a": "SELECT record_no AS record FROM a",
    "select x from a where (x, y) in (select (x, y) from a)": "SELECT x FROM a WHERE (x, y) IN (SELECT x, y FROM a)",
    "select e.x from reg.exams e left join reg.people p on p.x = e.x": (
        "SELECT e.x FROM seen_exams AS e LEFT JOIN seen_people AS p ON p.x = e.x"
    ),
    "select x from reg.exams order by x": "SELECT x FROM seen_exams AS `exams` ORDER BY x NULLS LAST",
    "with exams as (select 1 as x) select x from exams": "WITH exams AS (SELECT 1 AS x) SELECT x FROM exams",
    "select * from a union all by name select * from b": (
        "SELECT `x`, `y`, NULL AS `z` FROM (SELECT * FROM a) AS side UNION ALL "
        "SELECT NULL AS `x`, `y`, `z` FROM (SELECT * FROM b) AS side"
    ),
}
NAMES = {"reg.exams": "seen_exams", "reg.people": "seen_people", "exams": "another"}


def _columns(query: str) -> Sequence[str]:
    return COLUMNS[query]


@pytest.mark.parametrize("query", TRANSLATED)
def test_what_differs_is_written_as_spark_has_it(query: str) -> None:
    (parsed,) = statements(query)
    before = parsed.sql(dialect="duckdb")
    assert in_spark(parsed, NAMES, _columns) == TRANSLATED[query]
    assert parsed.sql(dialect="duckdb") == before, "the query itself is left alone"


def test_sources_are_tables_and_no_expression_of_the_query() -> None:
    (parsed,) = statements("with c as (select * from reg.exams) select * from c join b using (x), duckdb_tables()")
    assert sources(parsed) == {"reg.exams", "b"}


def test_a_number_past_sixty_three_bits_is_refused_by_name() -> None:
    (parsed,) = statements(f"select bits & {2**63}::ubigint from a")
    with pytest.raises(EngineError, match="at most 62 conditions"):
        in_spark(parsed, {}, _columns)

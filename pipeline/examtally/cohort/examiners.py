"""Who the examiners of a cohort are."""

from __future__ import annotations

import duckdb


def read_examiners(con: duckdb.DuckDBPyConnection) -> tuple[str, ...]:
    """Pseudonyms of the examiners that the column `examiner` of the verification frame counts from 1."""
    rows = con.sql("select label from group_labels where group_by = 'examiner' order by code").fetchall()
    return tuple(str(label) for (label,) in rows)

"""Who acts on a registry: a coded identifier, never a name."""

from __future__ import annotations

import duckdb

from examtally.contracts.pseudonym import load_pseudonym_rule
from examtally.contracts.rules import pseudonym_sql
from examtally.errors import ExamtallyError


def coded(con: duckdb.DuckDBPyConnection, code: str | None, what: str = "the operator") -> str | None:
    """Return `code` in capitals, None where there is none; ExamtallyError where it is no coded identifier."""
    if code is None:
        return None
    rule = load_pseudonym_rule()
    ((found, is_code),) = con.execute(
        f"select code, {pseudonym_sql('code', rule)} from (select upper(trim(cast(? as varchar))) as code)", [code]
    ).fetchall()
    if not is_code:
        raise ExamtallyError(f"{what} must be {rule.words}")
    return str(found)

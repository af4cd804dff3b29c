"""The fingerprint of a registry's content: the same records give the same fingerprint, in whatever order they came."""

from __future__ import annotations

import hashlib

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.rules import quoted
from examtally.contracts.tables import Table


def content_fingerprint(con: duckdb.DuckDBPyConnection, contract: Contract, schema: str = "reg") -> str:
    """Return 64 hexadecimal digits over the typed records in `schema`; batches and held-back lines play no part."""
    digest = hashlib.sha256()
    for table in contract.tables.values():
        rows, total = con.execute(_sum_sql(table, schema)).fetchall()[0]
        digest.update(f"{table.name}:{rows}:{total}\n".encode())
    return digest.hexdigest()


def _sum_sql(table: Table, schema: str) -> str:
    """The order-free sum over rows of a digest of each; a blank is told from every text by its own mark."""
    cells = ", ".join(f"coalesce(cast({quoted(name)} as varchar), chr(30))" for name in table.names)
    return (
        f"select count(*), coalesce(sum(md5_number_lower(concat_ws(chr(31), {cells}))), 0) "
        f"from {schema}.{quoted(table.name)}"
    )

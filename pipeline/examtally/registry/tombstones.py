"""Who has withdrawn, kept as keyed digests (HMAC-SHA-256) under a key of the registry's own.

A digest stops a return without keeping the pseudonym. The key lies in the same file: whoever holds the file and a list
of pseudonyms can try them one by one.
"""

from __future__ import annotations

import secrets

import duckdb

from examtally.contracts.rules import literal

PARTICIPANT, EXAM = "participant", "exam"
_BLOCK = 64


def stored_key(con: duckdb.DuckDBPyConnection) -> str | None:
    """Return the key of the attached registry, None where nobody has withdrawn."""
    return next((key for (key,) in con.execute("select key from reg.tombstone_key").fetchall()), None)


def make_key(con: duckdb.DuckDBPyConnection) -> str:
    """Return the key of the attached registry, made where there is none."""
    key = stored_key(con)
    if key is None:
        key = secrets.token_hex(_BLOCK // 2)
        con.execute("insert into reg.tombstone_key values (?)", [key])
    return key


def digest_sql(key: str, kind: str, column: str) -> str:
    """SQL for the digest of a column of identifiers of one kind."""
    padded = bytes.fromhex(key).ljust(_BLOCK, b"\0")
    inner, outer = (bytes(byte ^ pad for byte in padded).hex() for pad in (0x36, 0x5C))
    text = f"encode({literal(kind + ':')} || {column})"
    return f"sha256(unhex('{outer}') || unhex(sha256(unhex('{inner}') || {text})))"


def withdrawn_sql(key: str, kind: str, column: str, source: str) -> str:
    """SELECT of the distinct identifiers in a column of a table for which there is a tombstone."""
    return (
        f"select {column} from (select distinct {column} from {source} where {column} is not null) "
        f"where {digest_sql(key, kind, column)} in (select digest from reg.tombstones where kind = {literal(kind)})"
    )


def bury(con: duckdb.DuckDBPyConnection, key: str, kind: str, identifiers: str) -> int:
    """Add tombstones for what the SELECT `identifiers` gives as `id`; return how many were new."""
    ((added,),) = con.execute(
        f"insert into reg.tombstones select distinct {literal(kind)}, digest from "
        f"(select {digest_sql(key, kind, 'id')} as digest from ({identifiers})) "
        f"where digest not in (select digest from reg.tombstones where kind = {literal(kind)})"
    ).fetchall()
    return int(added)

"""Which joints a registry holds, and under which catalogues their records were taken in."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import duckdb

from examtally.contracts.catalogue.local import Kept, differences
from examtally.contracts.contract import Contract
from examtally.contracts.records.engine import Engine
from examtally.contracts.records.rules import in_list, quoted
from examtally.contracts.records.tables import JOINT
from examtally.errors import RegistryError

_CODED = {"findings": "maneuver", "history": "item", "impressions": "condition"}


def joints_held(con: Engine) -> tuple[str, ...]:
    """Return the joints of the attached registry, none for an empty one or one of a form without the column."""
    found = con.execute(
        "select 1 from duckdb_columns() where database_name = 'reg' and schema_name = 'main' "
        "and table_name = 'exams' and column_name = ?",
        [JOINT],
    ).fetchall()
    if not found:
        return ()
    query = f'select {JOINT} from reg.exams union select {JOINT} from reg."references" order by 1'
    return tuple(joint for (joint,) in con.execute(query).fetchall())


def keep_catalogues(con: duckdb.DuckDBPyConnection, batch_no: int, contracts: Iterable[Contract]) -> None:
    """Keep with a batch the catalogues that are not those of an earlier one."""
    for contract in contracts:
        catalogue = contract.catalogue
        last = newest_catalogue(con, catalogue.joint)
        if last is None or last.hash != catalogue.hash:
            values = [batch_no, catalogue.joint, catalogue.hash, catalogue.local]
            con.execute("insert into reg.catalogues values (?, ?, ?, ?)", values)


def own_catalogues(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Return by joint the content of the group's own catalogue that its newest records came under, where they did.

    A registry of a form without catalogues has none.
    """
    found = con.execute(
        "select 1 from duckdb_tables() "
        "where database_name = 'reg' and schema_name = 'main' and table_name = 'catalogues'"
    ).fetchall()
    if not found:
        return {}
    query = "select joint, arg_max(local, batch_no) from reg.catalogues group by joint order by joint"
    return {joint: local for joint, local in con.execute(query).fetchall() if local}


def newest_catalogue(con: Engine, joint: str) -> Kept | None:
    """Return the catalogue under which the newest records of a joint were taken in, None where none is kept."""
    rows = con.execute(
        "select joint, hash, local from reg.catalogues where joint = ? order by batch_no desc limit 1", [joint]
    ).fetchall()
    return Kept(*rows[0]) if rows else None


def check_catalogue(con: duckdb.DuckDBPyConnection, made: Kept, what: str) -> None:
    """Raise RegistryError, one line, where the newest records of the joint came under another catalogue than `what`.

    It names what changed, with every code that is no longer declared.
    """
    taken = newest_catalogue(con, made.joint)
    if taken is not None and taken.hash != made.hash:
        raise RegistryError(
            f"{what} made under another catalogue of the {made.joint} than the newest records of this registry "
            f"(in the registry's: {differences(made, taken)}); make it again under the registry's catalogue, or take "
            "the records in again under the other one: `examtally ingest --catalogue FILE`"
        )


def chosen_joint(con: Engine, named: str | None, default: str) -> str:
    """Return the joint that is named, else the only one of the registry, else the default where it holds none.

    Raises RegistryError, one line, where it holds several and none is named.
    """
    held = joints_held(con)
    if named is not None or not held:
        return named or default
    if len(held) > 1:
        raise RegistryError(
            f"the registry holds {len(held)} joints ({', '.join(held)}); name one: --joint {held[0]}, or "
            f"`joint: {held[0]}` in the protocol"
        )
    return held[0]


def undeclared_codes(con: Engine, contract: Contract) -> Mapping[str, tuple[str, ...]]:
    """Return the codes of stored records of the joint that its catalogue lacks, by table and column."""
    joint = contract.catalogue.joint
    exams = f"exam_id in (select exam_id from reg.exams where {JOINT} = '{joint}')"
    wanted = [(table, column, exams) for table, column in _CODED.items()]
    wanted += [("exams", "mechanism", f"{JOINT} = '{joint}'")]
    wanted += [("references", column, f"{JOINT} = '{joint}'") for column in ("condition", "modality")]
    found = {}
    for table, column, which in wanted:
        legal = in_list(contract.tables[table].field(column).enum or ())
        rows = con.execute(
            f"select distinct {column} from reg.{quoted(table)} where {which} and {column} not in {legal} order by 1"
        ).fetchall()
        if rows:
            found[f"{table}.{column}"] = tuple(code for (code,) in rows)
    return found

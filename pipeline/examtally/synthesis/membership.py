"""Which exams of a drawn clinic enter which analysis set, as the cohort of the default protocol decides."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import TracebackType
from typing import Self

import duckdb
import numpy as np
import polars as pl

from examtally.cohort.cohort import build_cohort
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.ddl import create_statements, default_sql
from examtally.contracts.records.rules import quoted
from examtally.synthesis.features import Array, Bools

_BATCH = 1


@dataclass(frozen=True)
class Grouped:
    """One grouping: each exam's place in `group_labels`, and for which conditions it is the grouping's index exam."""

    name: str
    labels: tuple[str, ...]
    place: Array
    index_bits: Array


@dataclass(frozen=True)
class Members:
    """What the cohort says of each exam, in the order of exam identifiers; conditions are bits of whole numbers."""

    bits: Mapping[str, int]
    mature_bits: Array
    settled_bits: Array
    groupings: tuple[Grouped, ...]

    def eligible(self, grouping: Grouped, condition: str) -> Bools:
        """Which exams are the grouping's mature index exams for a condition, shape (exams,)."""
        return np.asarray((grouping.index_bits & self.mature_bits & np.uint64(self.bits[condition])) != 0)

    def settled(self, condition: str) -> Bools:
        """Which exams have a determinate status inside the window, shape (exams,)."""
        return np.asarray((self.settled_bits & np.uint64(self.bits[condition])) != 0)


class MemoryCohort:
    """Records in a database of their own in memory, and the cohort that the default protocol makes of them.

    `con` holds them in the catalog `reg`, as an open registry does.
    """

    def __init__(self, contract: Contract) -> None:
        self._contract = contract
        self.con = duckdb.connect()
        self.con.execute("attach ':memory:' as reg")
        for statement in create_statements(contract):
            self.con.execute(statement)

    def add(self, records: Mapping[str, pl.DataFrame]) -> None:
        """Insert rows, defaults filled in."""
        for table, frame in records.items():
            fields = self._contract.tables[table].fields
            values = ", ".join(
                quoted(field.name) if field.default is None else f"coalesce({quoted(field.name)}, {default_sql(field)})"
                for field in fields
            )
            self.con.register("arriving", frame.to_arrow())
            self.con.execute(f"insert into reg.{quoted(table)} select {values}, {_BATCH} from arriving")
            self.con.unregister("arriving")

    def members(self) -> Members:
        """Let the cohort sort the exams."""
        with build_cohort(self.con, self._contract, Protocol.defaults(self._contract)) as cohort:
            exams = cohort.con.sql("select * from cohort_exams order by ek").pl()
            labels = cohort.con.sql("select group_by, label from group_labels order by group_by, code").pl()
            bits = dict(cohort.con.sql("select condition, bit from conditions order by place").fetchall())
        numbers = {name: exams[name].to_numpy() for name in exams.columns if name.endswith("_bits")}
        return Members(
            bits=bits,
            mature_bits=~numbers["open_bits"],
            settled_bits=numbers["present_bits"] | numbers["absent_bits"],
            groupings=tuple(
                Grouped(
                    grouping.name,
                    tuple(labels.filter(pl.col("group_by") == grouping.name)["label"]),
                    exams[grouping.column].to_numpy().astype(np.int64) - 1,
                    numbers[grouping.index_bits],
                )
                for grouping in cohort.groupings
                if grouping.public
            ),
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.con.close()

"""Small hand-made registries in memory: a little catalogue, records as plain dicts, DuckDB tables from both."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from types import MappingProxyType
from typing import Any

import duckdb
import polars as pl

from examtally.contracts.catalogue.catalogue import Catalogue, Condition, HistoryItem, Maneuver, Mechanism, SettledBy
from examtally.contracts.catalogue.clinical import Modality
from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.records.ddl import create_statements
from examtally.contracts.records.tables import load_tables
from examtally.resources import resource

Row = dict[str, Any]
ANY_STATUS = frozenset({"present", "absent", "indeterminate"})


def condition(
    code: str,
    settled_by: tuple[str | SettledBy, ...] = (),
    window: tuple[int, int] | None = None,
    parts: tuple[str, ...] = (),
) -> Condition:
    """A condition settled by these modalities, most authoritative first."""
    settled = tuple(s if isinstance(s, SettledBy) else SettledBy(s, ANY_STATUS) for s in settled_by)
    return Condition(
        code=code,
        name=code,
        plain=code,
        present_means=code,
        settled_by=settled,
        taken_as_true=(),
        window_days=window,
        severity=(),
        pattern=(),
        reference_accuracy=(),
        core=False,
        derived_from=parts,
        unsettled_note=None if settled else "nothing settles it",
    )


def maneuver(code: str, conditions: tuple[str, ...]) -> Maneuver:
    """A maneuver that speaks of these conditions."""
    return Maneuver(
        code=code,
        name=f"the {code} test",
        phase="special",
        purpose="diagnostic" if conditions else "contributor",
        conditions=conditions,
        positive=code,
        signs=(),
        technique=code,
        grades=MappingProxyType({}),
        unit=None,
        measure_name=None,
        compared_with_other_side=False,
        variant_of=None,
        core=False,
        cautions=(),
        published=(),
        synonyms=(),
    )


@cache
def small_contract() -> Contract:
    """A condition of each kind: plain, derived, one status only, window before the exam, unsettled."""
    meniscus: tuple[str, ...] = ("open_surgery", "arthroscopy", "mri")
    conditions = (
        condition("ligament", ("open_surgery", "arthroscopy", "mri"), (0, 60)),
        condition("medial", meniscus, (0, 40)),
        condition("lateral", meniscus, (0, 40)),
        condition("meniscus", meniscus, (0, 40), ("medial", "lateral")),
        condition("fluid", ("mri", "ultrasound", SettledBy("aspiration", frozenset({"present"}))), (0, 3)),
        condition("arthritis", ("radiograph",), (-50, 130)),
        condition("syndrome"),
    )
    maneuvers = (
        maneuver("drawer", ("ligament",)),
        maneuver("inner_line", ("medial", "meniscus")),
        maneuver("outer_line", ("lateral", "meniscus")),
        maneuver("tap", ("fluid", "arthritis")),
        maneuver("squeeze", ("syndrome",)),
        maneuver("gait", ()),
    )
    knee = load_contract("knee").catalogue
    catalogue = Catalogue(
        joint="knee",
        title="A little knee",
        modalities=MappingProxyType(
            {
                code: Modality(
                    code, code, code, (), code in ("arthroscopy", "open_surgery"), code in ("arthroscopy", "mri")
                )
                for one in conditions
                for code in (*one.modalities, "follow_up")
            }
        ),
        conditions=MappingProxyType({item.code: item for item in conditions}),
        maneuvers=MappingProxyType({item.code: item for item in maneuvers}),
        history=MappingProxyType({"pop": HistoryItem("pop", "pop", "A pop?", ())}),
        mechanisms=MappingProxyType({"twist": Mechanism("twist", "twist", "A twist.", ())}),
        quick_rule_out=(),
        noun=knee.noun,
        other_side_column=knee.other_side_column,
        columns=knee.columns,
        groupings=knee.groupings,
        case_mix=knee.case_mix,
        model_terms=knee.model_terms,
    )
    return Contract(load_tables(resource("schemas") / "tables", catalogue), catalogue)


@dataclass
class Records:
    """The record tables as lists of dicts; what a row leaves out is unknown. Every method returns the records."""

    tables: dict[str, list[Row]] = field(default_factory=dict)

    def add(self, table: str, **row: Any) -> Records:
        """Add one row of any table."""
        self.tables.setdefault(table, []).append(row)
        return self

    def exam(self, exam_id: str, participant_id: str = "PT1", day: int = 0, **more: Any) -> Records:
        """Add an exam of the left knee in its first episode by E1, in a long closed period unless told otherwise."""
        row = {"side": "left", "episode": 1, "examiner_id": "E1", "period": "2020-01", "exam_day": day}
        return self.add("exams", exam_id=exam_id, participant_id=participant_id, **row | more)

    def finding(self, exam_id: str, maneuver: str, result: str = "positive", **more: Any) -> Records:
        """Add a finding."""
        return self.add("findings", exam_id=exam_id, maneuver=maneuver, result=result, **more)

    def reference(
        self, of: str, status: str, day: int = 0, modality: str = "mri", participant_id: str = "PT1", **more: Any
    ) -> Records:
        """Add what a reading of the left knee in its first episode said of the condition `of`."""
        row: Row = {"reference_id": f"RD{len(self.rows('references')) + 1}", "side": "left", "episode": 1}
        row |= {"participant_id": participant_id, "modality": modality, "reference_day": day}
        return self.add("references", condition=of, status=status, **row | more)

    def rows(self, table: str) -> list[Row]:
        """The rows of a table."""
        return self.tables.get(table, [])


def connect(contract: Contract, records: Records | Mapping[str, list[Row]]) -> duckdb.DuckDBPyConnection:
    """An in-memory registry `reg` that holds the records; rows without `batch_no` came with batch 1."""
    con = duckdb.connect(config={"threads": 2})
    con.execute("attach ':memory:' as reg")
    for statement in create_statements(contract):
        con.execute(statement)
    tables = records.tables if isinstance(records, Records) else records
    for name, rows in tables.items():
        if not rows:
            continue
        columns = [*contract.tables[name].names, "batch_no"]
        joint = {one.name: one.default for one in contract.tables[name].fields if one.name == "joint"}
        values = [{"batch_no": 1} | joint | row for row in rows]
        frame = pl.DataFrame({column: [row.get(column) for row in values] for column in columns})
        con.register("given", frame.to_arrow())
        con.execute(f'insert into reg."{name}" select * from given')
        con.unregister("given")
    return con

"""Small record files for tests of the way in: rows as keyword tables, written as CSV."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

from examtally.contracts.contract import load_contract
from examtally.ingestion import BatchReport, ingest
from examtally.registry import open_registry

Rows = Sequence[Mapping[str, object]]

EXAM = {"participant_id": "PT-1", "side": "left", "examiner_id": "EM-1", "period": "P001", "exam_day": 0}
REFERENCE = {"participant_id": "PT-1", "side": "left", "modality": "mri", "reference_day": 9, "status": "present"}


def exam(exam_id: str, **cells: object) -> dict[str, object]:
    """An exam with every required cell."""
    return {"exam_id": exam_id, **EXAM, **cells}


def finding(exam_id: str, maneuver: str = "lachman", result: str = "positive", **cells: object) -> dict[str, object]:
    """A finding with every required cell."""
    return {"exam_id": exam_id, "maneuver": maneuver, "result": result, **cells}


def reference(reference_id: str, condition: str = "acl_tear", **cells: object) -> dict[str, object]:
    """A reference reading with every required cell."""
    return {"reference_id": reference_id, "condition": condition, **REFERENCE, **cells}


def write_csv(path: Path, rows: Rows) -> Path:
    """Write rows under the columns that any of them has; a missing cell is blank."""
    columns = list(dict.fromkeys(column for row in rows for column in row))
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, columns, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return path


def send(folder: Path, registry: Path, *, second_engine: bool = False, **tables: Rows) -> BatchReport:
    """Ingest one batch of these tables, written to a new folder inside `folder`."""
    inside = folder / f"batch-{len(list(folder.glob('batch-*')))}"
    inside.mkdir()
    for name, rows in tables.items():
        write_csv(inside / f"{name}.csv", rows)
    return ingest([inside], registry, second_engine=second_engine)


def places(report: BatchReport, table: str) -> dict[str, int]:
    """Where the lines of a table went, without the places where none did."""
    (count,) = [one for one in report.tables if one.table == table]
    names = ("stored", "unchanged", "conflict", "waiting", "held_back", "released")
    return {name: getattr(count, name) for name in names if getattr(count, name)}


def rules(report: BatchReport) -> dict[tuple[str, str], list[int]]:
    """The lines shown for every broken rule and column."""
    return {(one.rule, one.column): [line.line for line in one.first] for one in report.held_back}


def state(registry: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every record and every waiting line of a registry; empty where there is none."""
    if not registry.exists():
        return {}
    with open_registry(registry) as opened:
        names = [*load_contract().tables, "waiting.history", "waiting.findings", "waiting.impressions"]
        quoted = {name: ".".join(f'"{part}"' for part in name.split(".")) for name in names}
        return {name: opened.con.execute(f"select * from reg.{quoted[name]} order by all").fetchall() for name in names}


def rows_of(registry: Path, table: str, columns: str = "*") -> list[tuple[object, ...]]:
    """Rows of a table of a registry, sorted."""
    with open_registry(registry) as opened:
        return opened.con.execute(f"select {columns} from reg.{table} order by all").fetchall()

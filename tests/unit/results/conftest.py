"""A little registry file whose 2x2 table for Lachman and the ACL is known, with stated probabilities and a batch."""

from __future__ import annotations

import pickle
from collections.abc import Iterator
from pathlib import Path

import pytest
from clinic import Records
from shared import shared_folder

from examtally.contracts.contract import Contract
from examtally.registry import Registry, open_registry
from examtally.results import Results, analyze

CELLS = (("positive", "present", 24), ("positive", "absent", 4), ("negative", "present", 6), ("negative", "absent", 16))


def _records() -> Records:
    records = Records()
    numbers = iter(range(1, 100))
    for finding, status, count in CELLS:
        for _ in range(count):
            number = next(numbers)
            exam, person, examiner = f"EX{number}", f"PT{number}", f"ER{number % 3}"
            records.exam(exam, person, examiner_id=examiner, complaint="yes")
            records.finding(exam, "lachman", finding)
            records.add("impressions", exam_id=exam, condition="acl_tear", stage="after_exam", probability=number / 60)
            records.reference("acl_tear", status, 5, participant_id=person)
    records.exam("EX90", "PT90", complaint="no").exam("EX91", "PT91", period="2026-03")
    for examiner, role in (("ER0", "attending"), ("ER1", "student"), ("ER2", "student")):
        records.add("examiners", examiner_id=examiner, role=role, site_id="S1")
    return records


def _fill(registry: Registry, contract: Contract) -> None:
    for name, rows in _records().tables.items():
        columns = [*contract.tables[name].names, "batch_no"]
        joint = {"joint": "knee"} if name in ("exams", "references") else {}
        values = [[(joint | row).get(column) for column in columns[:-1]] + [1] for row in rows]
        registry.con.executemany(f'insert into reg."{name}" values ({", ".join("?" * len(columns))})', values)
    registry.con.execute("insert into reg.batch_tables values (1, 'exams', 1, 'f', 9, 55, 52, 0, 1, 0, 2)")
    registry.con.execute("insert into reg.held_back values (1, 'exams', 1, 7, 'side', 'exams.side.enum', 'held_back')")
    registry.con.execute("insert into reg.held_back values (1, 'exams', 1, 8, 'side', 'exams.side.enum', 'held_back')")
    registry.con.execute("insert into reg.intake_checks values (1, 'exams', 'a', 'x', 55, 55, 2, false)")
    registry.con.execute("insert into reg.intake_checks values (1, 'exams', 'b', 'x', 55, 55, null, true)")


@pytest.fixture(scope="session")
def registry(together: Path, contract: Contract) -> Iterator[Registry]:
    def make(folder: Path) -> None:
        with open_registry(folder / "registry.duckdb", read_only=False) as opened:
            _fill(opened, contract)

    with open_registry(shared_folder(together, "little-registry", make) / "registry.duckdb") as opened:
        yield opened


@pytest.fixture(scope="session")
def results(registry: Registry, together: Path) -> Results:
    """What an analysis of it returned in the process that asked first."""

    def make(folder: Path) -> None:
        protocol = {"analysis_status": "prespecified", "calibration": {"bootstrap": 100}}
        (folder / "results").write_bytes(pickle.dumps(analyze(registry, protocol, with_examiners=True)))

    made = pickle.loads((shared_folder(together, "little-results", make) / "results").read_bytes())
    assert isinstance(made, Results)
    return made


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "results"

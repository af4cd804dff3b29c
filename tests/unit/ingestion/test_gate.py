"""The gate judges a rule once for each distinct value; the lines it holds back are those the rule itself fails."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from examtally.contracts.contract import load_contract
from examtally.ingestion.checking.gate import Checks, checks_for, column_of, held, hold_failing
from examtally.ingestion.reading.sources import find_sources
from examtally.ingestion.reading.staging import Staged, stage
from examtally.registry.workspace import Workspace

FINDINGS = """exam_id,maneuver,result,sign,grade,measure,flexion_deg,done_order
EX-1,lachman,positive,laxity,2,7.5,20,1
EX-1,lachman,maybe,laxity,2,7.5,20,1
EX-1,pivot_shift,positive,tenderness,9,1.0,20,
,lachman,positive,,,,,
Jane,nothing,,x,y,z,q,0
EX-2,valgus_stress_30,negative,,4,seven,161,-1
EX-20310314,drawer,positive,,,,,1
EX-2,valgus_stress_30,,,,,,
"""


@pytest.fixture
def staged(tmp_path: Path) -> Iterator[tuple[Workspace, Staged, Checks]]:
    contract = load_contract()
    (tmp_path / "findings.csv").write_text(FINDINGS)
    sources, _ = find_sources([tmp_path], contract)
    with Workspace() as workspace:
        yield workspace, stage(workspace.con, contract, sources, print)["findings"], checks_for(contract, "findings")


def test_the_lines_held_back_are_those_that_fail(staged: tuple[Workspace, Staged, Checks]) -> None:
    workspace, one, checks = staged
    hold_failing(workspace.con, {"findings": one}, {"findings": checks})
    found = workspace.con.execute(
        f"select rule_no, rid from {held(one.table)} where rule_no < {len(checks.rows)} order by all"
    ).fetchall()
    expected = [
        (number, rid)
        for number, rule in enumerate(checks.rows)
        for (rid,) in workspace.con.execute(f"select rid from {one.view} where not ({rule.sql})").fetchall()
    ]
    assert found == sorted(expected)
    assert len({number for number, _ in found}) >= 12


def test_every_check_has_a_number_and_names_its_column() -> None:
    for table in load_contract().tables:
        checks = checks_for(load_contract(), table)
        assert [checks.number(check) for check in checks.all] == list(range(len(checks.all)))
        assert all(column_of(check) in check.id for check in checks.all)

"""The registry's newest seal on the monthly report: an anchor that survives the file."""

from __future__ import annotations

from pathlib import Path

import pytest
from records import exam, send
from report_clinic import records, write_results

from examtally.cli.app import main
from examtally.contracts.contract import load_contract
from examtally.errors import ReportError
from examtally.registry.verifying import verify
from examtally.reporting import render_monthly


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = records(load_contract(), 3, 1, seed=20260301)
    return write_results(tmp_path_factory.mktemp("tiny") / "results", made)


def test_the_monthly_report_shows_the_newest_seal_in_one_line(results: Path, tmp_path: Path) -> None:
    registry = tmp_path / "registry.duckdb"
    batch = send(tmp_path, registry, participants=[{"participant_id": "PT-1"}], exams=[exam("EX-1")])
    arguments = ["report", "monthly", "--results", str(results), "--period", "P005", "--out", str(tmp_path / "out")]
    assert main([*arguments, "--registry", str(registry)]) == 0
    page = (tmp_path / "out" / "monthly-P005.html").read_text(encoding="utf-8")
    assert page.count(f"<p>Newest seal of the registry: <code>{batch.seal}</code>.</p>") == 1
    assert verify(registry, expect=batch.seal).faults == ()


@pytest.mark.parametrize("seal", ["", "abc", "g" * 64, "<b>" + "0" * 61])
def test_what_is_no_seal_is_not_printed(results: Path, tmp_path: Path, seal: str) -> None:
    with pytest.raises(ReportError, match="that is no seal"):
        render_monthly(results, tmp_path / "out", period="P005", seal=seal)
    assert not (tmp_path / "out").exists()

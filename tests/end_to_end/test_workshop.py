"""The clinic with a workshop: the page of change finds its known effect, and none where the workshop did not reach."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.interventions import load_interventions
from examtally.contracts.protocol.protocol import load_protocol
from examtally.ingestion import ingest
from examtally.registry import open_registry
from examtally.reporting.report import report
from examtally.results import analyze
from examtally.synthesis import synthesize

DOCS = Path(__file__).resolve().parents[2] / "docs"


@pytest.mark.study
def test_the_workshop_is_found_and_the_joint_line_is_left_alone(tmp_path: Path) -> None:
    contract = load_contract()
    synthesize(tmp_path / "clinic", scenario=Path("workshop"))
    ingest([tmp_path / "clinic" / "records"], tmp_path / "registry.duckdb")
    interventions = load_interventions(DOCS / "interventions.yaml", contract)
    protocol = replace(load_protocol(None, contract), interventions=interventions)
    with open_registry(tmp_path / "registry.duckdb") as registry:
        results = analyze(
            registry, protocol, only=["changes", "change_context", "drift", "drift_events", "cohort_summary", "tallies"]
        )
    found = results.changes.filter(method="before_after")
    taught = found.filter(maneuver="lachman").row(0, named=True)
    assert taught["verdict"] == "rose"
    assert 0.15 < taught["difference"] < 0.45
    others = found.filter(pl.col("expected") == "no_change")
    assert not set(others["verdict"]) & {"rose", "fell"}
    (page,) = report(results, tmp_path / "pages", "change")
    text = page.read_text(encoding="utf-8")
    assert "rose: +" in text
    assert "No change is found in what it should not touch" in text

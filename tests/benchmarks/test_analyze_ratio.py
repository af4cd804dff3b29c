"""How long `analyze` takes for accuracy, flow and calibration, against a plain pandas and statsmodels script."""

from __future__ import annotations

from pathlib import Path
from time import perf_counter

import plain_script
import pytest

from examtally.ingestion import ingest
from examtally.registry import open_registry
from examtally.results import analyze
from examtally.synthesis import synthesize


@pytest.mark.benchmark_ratio
def test_analyze_against_a_plain_script(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    records = synthesize(tmp_path / "clinic").out / "records"
    ingest([records], tmp_path / "registry.duckdb")
    with open_registry(tmp_path / "registry.duckdb") as registry:
        begun = perf_counter()
        results = analyze(registry, only=["accuracy", "flow", "calibration"], with_examiners=True)
        ours = perf_counter() - begun
    begun = perf_counter()
    plain = plain_script.analyze(records)
    theirs = perf_counter() - begun
    with capsys.disabled():
        print(f"\nanalyze: {ours:.1f} s for {results.accuracy.height:,} figures of accuracy")
        print(
            f"plain script: {theirs:.1f} s for {len(plain['accuracy']):,}; ratio {theirs / ours:.1f} (aim: at least 15)"
        )
    assert plain["accuracy"]["estimate"].notna().all()
    assert results.accuracy.height > len(plain["accuracy"])

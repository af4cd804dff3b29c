"""`analyze` for accuracy, flow and calibration with all corrections, against a plain pandas and statsmodels script."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import plain_script
import pytest
from paired import Aim, hold, in_turn

from examtally.ingestion import ingest
from examtally.registry import open_registry
from examtally.results import analyze
from examtally.synthesis import synthesize

EXAMS = 1_200  # the script takes about a minute
LEAST = 20


@pytest.mark.benchmark_ratio
def test_analyze_against_a_plain_script(tmp_path: Path, say: Callable[[str], None]) -> None:
    records = synthesize(tmp_path / "clinic", exams=EXAMS).out / "records"
    ingest([records], tmp_path / "registry.duckdb")
    made: dict[str, Any] = {}
    with open_registry(tmp_path / "registry.duckdb") as registry:

        def ours() -> None:
            made["ours"] = analyze(registry, only=["accuracy", "flow", "calibration"], with_examiners=True)

        def script() -> None:
            made["script"] = plain_script.analyze(records)

        say(f"accuracy, flow and calibration of {EXAMS:,} exams, all corrections; the script makes none of them")
        taken = in_turn(say, 1, ours=ours, script=script)
    plain = made["script"]["accuracy"]
    assert plain["estimate"].notna().all()
    say(f"  {made['ours'].accuracy.height:,} figures of accuracy, {len(plain):,} by the script")
    assert made["ours"].accuracy.height > len(plain)
    hold(say, Aim("processor time, the script's to ours", taken["script"] / taken["ours"], least=LEAST))

"""`analyze` for accuracy, flow and calibration with all corrections, against a plain pandas and statsmodels script.

The script makes the corrections that such a script can, each anew for every resample.
"""

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

EXAMS = 1_200  # the script takes some four minutes
LEAST = 20


@pytest.mark.benchmark_ratio
def test_analyze_against_a_plain_script(tmp_path: Path, say: Callable[[str], None]) -> None:
    records = synthesize(tmp_path / "clinic", exams=EXAMS).out / "records"
    ingest([records], tmp_path / "registry.duckdb")
    ingest([synthesize(tmp_path / "few", exams=60).out / "records"], tmp_path / "few.duckdb")
    made: dict[str, Any] = {}

    def ours(registry: str = "registry.duckdb") -> None:
        with open_registry(tmp_path / registry) as opened:
            made["ours"] = analyze(opened, only=["accuracy", "flow", "calibration"], with_examiners=True)

    def script() -> None:
        made["script"] = plain_script.analyze(records)

    ours("few.duckdb")  # loads the libraries; those of the script are loaded with its module
    say(f"accuracy, flow and calibration of {EXAMS:,} exams, all corrections")
    taken = in_turn(say, 1, ours=ours, script=script)
    plain, corrected = made["script"]["accuracy"], made["script"]["corrected"]
    assert plain["estimate"].notna().all()
    assert set(corrected["adjustment"]) == {"begg_greenes", "bounds", "ipw", "multiple_imputation", "pooled"}
    figures = made["ours"].accuracy.height
    say(f"  {figures:,} figures of accuracy, {len(plain):,} and {len(corrected):,} corrected ones by the script")
    assert figures > len(plain) + len(corrected)
    hold(say, Aim("processor time, the script's to ours", taken["script"] / taken["ours"], least=LEAST))

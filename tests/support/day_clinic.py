"""The results of an agreement day."""

from __future__ import annotations

from pathlib import Path

from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import load_protocol
from examtally.ingestion.agreement_day import read_readings
from examtally.results import Results
from examtally.results.agreement_day import analyze_day


def day_results(folder: Path) -> Results:
    """Two examiners read twelve participants, half of them positive to both."""
    contract = load_contract()
    lines = [f"E0{e},P{n:02},right,lachman,{('positive', 'negative')[n % 2]},," for e in (1, 2) for n in range(12)]
    head = "examiner_id,participant_id,side,maneuver,result,measure,grade"
    (folder / "readings.csv").write_text("\n".join([head, *lines, ""]), encoding="utf-8")
    return analyze_day(read_readings([folder / "readings.csv"], contract), load_protocol(None, contract))

"""Accuracy on verified knees by the command line, against a script in DuckDB, Polars and statsmodels.

The script is what a competent user would write for this alone. Both begin as a program, read the registry and leave
Parquet and CSV. Beyond what the script does the command reads a protocol and a catalogue, tells the registry by its
content (the fingerprint, an md5 of every row), orders and checks its table, and says in notes what a reader must know.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import competent_script
import polars as pl
import pytest
from paired import Aim, hold, in_turn

from examtally.cohort.conditions import condition_rules
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol

ROUNDS, MOST = 3, 1.5
KEY = ["condition", "maneuver", "group_by", "measure"]


@pytest.mark.benchmark_ratio
def test_naive_accuracy_against_a_competent_script(
    large_clinic: Path, tmp_path: Path, contract: Contract, protocol: Protocol, say: Callable[[str], None]
) -> None:
    rules = tmp_path / "rules.json"
    rules.write_text(json.dumps(_typed_in(contract, protocol)), encoding="utf-8")
    out = tmp_path / "results"
    ours = ["-m", "examtally.cli", "analyze", "--registry", str(large_clinic), "--out", str(out)]
    theirs = [competent_script.__file__, str(large_clinic), str(rules), str(tmp_path / "plain")]

    def analyze() -> None:
        shutil.rmtree(out, ignore_errors=True)
        _run(*ours, "--only", "accuracy", "--adjustments", "none")

    say("naive accuracy of 200,000 exams, 5.6 million findings")
    taken = in_turn(say, ROUNDS, ours=analyze, script=lambda: _run(*theirs))
    made, plain = pl.read_parquet(out / "accuracy.parquet"), pl.read_parquet(tmp_path / "plain.parquet")
    both = made.filter(group_by="overall").join(plain.filter(group_by="overall"), on=KEY)
    apart = both.select(  # the script knows nothing of exams after an answer, some per cent of them
        (pl.col("n_right") / pl.col("n") - 1).abs().median().alias("n"),
        (pl.col("estimate") - pl.col("estimate_right")).abs().median().alias("estimate"),
    )
    assert apart["n"].item() < 0.02
    assert apart["estimate"].item() < 0.01
    assert made.height >= plain.height
    hold(say, Aim("processor time, ours to the script's", taken["ours"] / taken["script"], most=MOST))


def _typed_in(contract: Contract, protocol: Protocol) -> dict[str, list[list[object]]]:
    """The rules that the script needs, as its user would type them in."""
    rules = {rule.code: rule for rule in condition_rules(contract, protocol) if rule.window}
    return {
        "windows": [
            [rule.code, one.modality, one.rank, *(rule.window or ())]
            for rule in rules.values()
            for one in rule.accepted
        ],
        "pairs": [[*pair, rules[pair[0]].immature_periods] for pair in contract.catalogue.pairs if pair[0] in rules],
    }


def _run(*words: str) -> None:
    subprocess.run([sys.executable, *words], capture_output=True, check=True, timeout=900)

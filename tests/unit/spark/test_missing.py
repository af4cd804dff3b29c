"""Where Spark is missing or not asked for as it must be: one line that says what to do."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from examtally.cli.app import main

CASES = {
    ("--engine", "spark"): "name them with --records",
    ("--engine", "spark", "--records", "tables"): "examtally[spark]",
    ("--records", "tables", "--registry", "r.duckdb"): "are for --engine spark",
    (): "name the registry with --registry",
}


@pytest.mark.parametrize("words", CASES, ids=" ".join)
def test_what_is_missing_is_said_in_one_line(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("examtally.spark.records.find_spec", lambda name: None if name == "pyspark" else object())
    assert importlib.util.find_spec("examtally.spark") is not None
    assert main(["analyze", *words, "--out", "out"]) != 0
    said = capsys.readouterr().err
    assert CASES[words] in said
    assert said.count("\n") == 1
    assert list(tmp_path.iterdir()) == []

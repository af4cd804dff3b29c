"""A rehearsal: what would fail after the lock fails before it; its figures say nothing of the tests."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from examtally.cli.app import main
from examtally.contracts.study.study import load_study
from examtally.errors import StudyError
from examtally.registry import open_registry
from examtally.studies import rehearsal
from examtally.studies.lockfile import lock_path
from examtally.studies.running import run


@pytest.mark.usefixtures("rehearsed")
def test_what_cannot_run_is_not_locked(
    single: Path, clinic: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a count of some record")

    monkeypatch.setattr(rehearsal, "run_as", fails)
    assert main(["study", "lock", str(single), "--registry", str(clinic)]) != 0
    said = capsys.readouterr().err
    assert "ZeroDivisionError" in said
    assert "of some record" not in said
    assert not lock_path(single).exists()
    assert main(["study", "check", str(single), "--registry", str(clinic)]) != 0


def test_answers_are_dealt_to_others_within_condition_and_modality(single: Path, kept_clinic: Path) -> None:
    study = load_study(single)
    true = run(study, kept_clinic, exploratory=True).results.tallies
    with open_registry(kept_clinic) as opened:
        dealt = rehearsal.rehearse(study, opened).results.tallies
    lachman = [one.filter(pl.col("group_by") == "overall").row(0, named=True) for one in (true, dealt)]
    accuracy = [(row["tp"] + row["tn"]) / row["verified"] for row in lachman]
    assert accuracy[0] > 0.75
    assert accuracy[1] < 0.65
    assert lachman[0]["verified"] == lachman[1]["verified"]


def test_a_failure_the_program_knows_is_told_in_its_own_words(
    single: Path, kept_clinic: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise StudyError("no exam is eligible")

    monkeypatch.setattr(rehearsal, "run_as", fails)
    with open_registry(kept_clinic) as opened, pytest.raises(StudyError, match="on these records: no exam is eligible"):
        rehearsal.rehearse(load_study(single), opened)

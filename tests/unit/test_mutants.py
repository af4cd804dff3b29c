"""The list of deliberate breakages stays true to the code: every old text stands once, every test is there."""

from __future__ import annotations

from pathlib import Path

import pytest
from mutants import MUTANTS, Mutant

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda one: f"{one.file}: {one.old.strip()}")
def test_a_breakage_can_be_made_and_its_tests_be_run(mutant: Mutant) -> None:
    text = (ROOT / "pipeline" / "examtally" / mutant.file).read_text(encoding="utf-8")
    assert text.count(mutant.old) == 1
    assert mutant.new != mutant.old
    for test in mutant.tests.split():
        path, _, name = test.partition("::")
        assert (ROOT / path).exists(), test
        written = f"def {name.split('::')[-1].partition('[')[0]}("
        assert not name or written in (ROOT / path).read_text(encoding="utf-8"), test


def test_every_folder_that_decides_what_is_shown_is_broken() -> None:
    assert {one.file.split("/")[0] for one in MUTANTS} >= {"disclosure", "reporting", "cohort", "analytics"}

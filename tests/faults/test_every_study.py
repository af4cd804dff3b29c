"""Every condition x kind of analysis that the catalogue allows runs from end to end: `make study`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import examtally as et
from examtally.contracts.contract import load_contract
from examtally.contracts.study.study import load_study
from examtally.registry import open_registry
from examtally.studies.checking import check_study
from examtally.studies.rehearsal import rehearse

CATALOGUE = load_contract().catalogue
BLINDING = {"examiner": "known_excluded", "reader": "any", "between_tests": "not_blinded"}
KINDS: dict[str, dict[str, Any]] = {
    "accuracy": {"kind": "accuracy", "measures": ["sensitivity", "specificity"]},
    "paired": {"kind": "paired", "measures": ["sensitivity", "specificity"]},
    "agreement": {"kind": "agreement"},
    **{
        f"by {group}": {"kind": "by_group", "group_by": group, "measures": ["sensitivity", "specificity"]}
        for group in ("role", "site", "setting", "sex", "acuity")
    },
}


def _study(condition: str, maneuvers: list[str], kind: str) -> dict[str, Any]:
    tests = {f"test_{place}": maneuver for place, maneuver in enumerate(maneuvers)}
    asked = list(tests)[: 2 if kind == "paired" else 1]
    return {
        "study": f"{condition}_study",
        "title": "A study of every kind",
        "tests": {code: {"title": f"Test {code[-1]}", "rule": {"maneuver": one}} for code, one in tests.items()},
        "target": {"condition": condition},
        "blinding": BLINDING,
        "primary": [{"name": "asked", "tests": asked, **KINDS[kind]}],
    }


@pytest.fixture(scope="module")
def registry(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("every_study")
    et.synthesize(folder / "clinic", exams=1500)
    et.ingest([folder / "clinic" / "records"], folder / "registry.duckdb")
    return folder / "registry.duckdb"


@pytest.mark.study
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("condition", CATALOGUE.conditions)
def test_it_runs_or_says_before_the_lock_that_it_cannot(condition: str, kind: str, registry: Path) -> None:
    maneuvers = [code for code, one in CATALOGUE.maneuvers.items() if condition in one.conditions]
    if len(maneuvers) < (2 if kind == "paired" else 1):
        pytest.skip("too few maneuvers of this condition")
    study = load_study(_study(condition, maneuvers, kind))
    if any(one.key == "target.condition" and one.must for one in check_study(study)):
        pytest.skip("nothing settles this condition")
    with open_registry(registry) as opened:
        found = rehearse(study, opened)
    assert found.results.study_analyses.height == 1

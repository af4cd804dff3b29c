"""Every condition x kind of analysis x standard of every joint and scenario runs from check to paper: `make study`."""

from __future__ import annotations

import itertools
import re
import zlib
from collections.abc import Iterator
from contextlib import chdir
from pathlib import Path
from typing import Any

import pytest
import yaml
from study_clinic import make_registry

import examtally as et
from examtally.contracts.contract import load_contract
from examtally.contracts.study.study import load_study
from examtally.registry import open_registry
from examtally.resources import resource
from examtally.studies import run
from examtally.studies.checking import check_study
from examtally.studies.lockfile import lock_path
from examtally.studies.locking import lock

JOINTS = {"clinic": "knee", "young": "knee", "shoulder": "shoulder", "ankle": "ankle"}
"""Scenarios, each with the joint of its records."""
BLINDING = {"examiner": "known_excluded", "reader": "any", "between_tests": "Not blinded."}
MEASURES = ["sensitivity", "specificity"]
KINDS: dict[str, dict[str, Any]] = {
    "accuracy": {"kind": "accuracy", "measures": MEASURES},
    "paired": {"kind": "paired", "measures": MEASURES},
    "agreement": {"kind": "agreement"},
    **{
        f"by {group}": {"kind": "by_group", "group_by": group, "measures": MEASURES}
        for group in ("role", "site", "setting", "sex", "acuity")
    },
    "by severity": {"kind": "by_group", "group_by": "severity", "measures": ["sensitivity"]},
    "change": {"kind": "change", "measures": MEASURES, "since": "P006"},
}
SIZES: dict[str, dict[str, Any]] = {
    "accuracy": {"aim": "half_width", "sensitivity": 0.8, "specificity": 0.8, "half_width": 0.1},
    "paired": {"aim": "paired", "sensitivity": 0.7, "difference": 0.1},
    "agreement": {"aim": "kappa_half_width", "kappa": 0.5, "positive_share": 0.3, "half_width": 0.1},
    "by_group": {"aim": "unpaired", "sensitivity": 0.8, "difference": 0.15},
    "change": {"aim": "unpaired", "sensitivity": 0.8, "difference": 0.15},
}


def _study(condition: str, maneuvers: list[str], kind: str, standard: list[str], joint: str) -> dict[str, Any]:
    """A complete protocol, its code one of its own in each registry."""
    tests = {f"test_{place}": maneuver for place, maneuver in enumerate(maneuvers[:2])}
    asked = list(tests)[: 2 if kind == "paired" else 1]
    return {
        "study": f"{condition}_{zlib.crc32(repr((kind, standard)).encode()):x}",
        "title": "A study of every kind",
        "question": "Does it run?",
        "hypotheses": ["It does."],
        "tests": {code: {"title": f"Test {code[-1]}", "rule": {"maneuver": one}} for code, one in tests.items()},
        "target": {"condition": condition},
        "reference": {"standard": standard},
        "blinding": BLINDING,
        "primary": [{"name": "asked", "tests": asked, **KINDS[kind]}],
        "planned_size": SIZES[KINDS[kind]["kind"]],
        "governance": {"purpose": "quality_improvement", "determination": "not_research"},
        "missing": {"findings": "excluded"},
        "analysis": {"joint": joint},
    }


def _standards(accepted: tuple[str, ...]) -> list[list[str]]:
    """The standard of the catalogue, and each of its tests alone."""
    return [list(accepted), *([one] for one in accepted if len(accepted) > 1)]


def _studies(scenario: str) -> Iterator[Any]:
    catalogue = load_contract(JOINTS[scenario]).catalogue
    for condition, told in catalogue.conditions.items():
        maneuvers = [code for code, one in catalogue.maneuvers.items() if condition in one.conditions]
        for kind, standard in itertools.product(KINDS, _standards(told.modalities)):
            has_degrees = len(told.severity) > 1 and not told.derived_from
            is_possible = len(maneuvers) >= (2 if kind == "paired" else 1) and standard
            if is_possible and (has_degrees or kind != "by severity"):
                name = f"{scenario}-{condition}-{kind}-{'+'.join(standard)}"
                yield pytest.param(scenario, _study(condition, maneuvers, kind, standard, JOINTS[scenario]), id=name)


def _paper(results: Path) -> str:
    """What the cells of the manuscript say, run one after the other without Quarto."""
    said: list[str] = []
    names: dict[str, Any] = {}
    page = (resource("reports") / "study.qmd").read_text(encoding="utf-8")
    cells = re.findall(r"^```\{python\}\n(.*?)^```$", page, re.S | re.M)
    with chdir(resource("reports")), pytest.MonkeyPatch.context() as patch:
        patch.setattr("examtally.reporting.plain.show", lambda *parts: said.extend(part for part in parts if part))
        for cell in cells:
            exec(compile(cell, "study.qmd", "exec"), names)
            if "results" in names:
                names["results"] = results
    return "\n\n".join(map(str, said))


@pytest.fixture(scope="module")
def registries(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return {"root": tmp_path_factory.mktemp("every_study")}


def _registry(scenario: str, made: dict[str, Path]) -> Path:
    if scenario not in made:
        folder = made["root"] / scenario
        et.synthesize(folder, exams=900, scenario=None if scenario == "clinic" else Path(scenario))
        et.ingest([folder / "records"], folder / "registry.duckdb", joint=JOINTS[scenario])
        made[scenario] = folder / "registry.duckdb"
    return made[scenario]


def _from_check_to_paper(content: dict[str, Any], registry: Path, folder: Path) -> str:
    """Run a study by its steps; return the text of its paper, or skip where `check` says that it cannot be locked."""
    protocol = folder / "study.yaml"
    protocol.write_text(yaml.safe_dump(content, sort_keys=False), encoding="utf-8")
    study = load_study(protocol)
    if waiting := [one for one in check_study(study) if one.must]:
        pytest.skip(f"{waiting[0].key}: {waiting[0].says}")
    with open_registry(registry) as opened:
        et.plan(study, opened)
    lock(protocol, registry)
    with open_registry(registry) as opened:
        run(study, opened, lock=lock_path(protocol)).write(folder / "results")
    return _paper(folder / "results")


def test_roles_on_few_records_run_to_a_paper_that_calls_itself_descriptive(tmp_path: Path) -> None:
    content = _study("acl_tear", ["lachman", "lever_sign"], "by role", ["mri"], "knee")
    paper = _from_check_to_paper(content, make_registry(tmp_path), tmp_path)
    assert content["title"] in paper
    abstract = paper[paper.index("**Results.**") : paper.index("**Conclusions.**")]
    assert "Descriptive only: 2 and 2 examiners stand behind the groups" in abstract
    assert "examiners as clusters" in paper


@pytest.mark.study
@pytest.mark.parametrize(("scenario", "content"), [one for name in JOINTS for one in _studies(name)])
def test_it_runs_or_says_before_the_lock_that_it_cannot(
    scenario: str, content: dict[str, Any], registries: dict[str, Path], tmp_path: Path
) -> None:
    assert content["title"] in _from_check_to_paper(content, _registry(scenario, registries), tmp_path)

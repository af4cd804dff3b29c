"""The example studies of the documentation, from check to results, by the command line on a small clinic."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from study_clinic import make_registry

from examtally.cli.app import main
from examtally.contracts.study.study import load_study
from examtally.studies import read_study

EXAMPLES = sorted((Path(__file__).resolve().parents[2] / "docs" / "studies").glob("*.yaml"))


@pytest.fixture(scope="module")
def kept_registry(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_registry(tmp_path_factory.mktemp("clinic"))


@pytest.fixture
def registry(kept_registry: Path, tmp_path: Path) -> Path:
    """A copy of each test's own: a study of the same tests that was run before it would be a deviation."""
    return Path(shutil.copy(kept_registry, tmp_path / "registry.duckdb"))


def test_every_kind_of_study_has_an_example() -> None:
    kinds = {load_study(path).primary[0].kind for path in EXAMPLES}
    assert kinds == {"accuracy", "paired", "agreement", "by_group", "change"}


OFTEN = ("change", "training_level")  # the others are locked, run and reported in test_study_papers.py too


@pytest.mark.parametrize(
    "example",
    [pytest.param(one, id=one.stem, marks=[] if one.stem in OFTEN else pytest.mark.study) for one in EXAMPLES],
)
def test_an_example_checks_plans_locks_and_runs(
    example: Path, registry: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    protocol = _copy(example, tmp_path)
    at = ["--registry", str(registry)]
    assert main(["study", "check", str(protocol)]) == 0
    follows = "plan" if load_study(protocol).planned_size.knees is None else "lock"
    assert f"Next: examtally study {follows} {protocol} --registry REGISTRY" in capsys.readouterr().out
    assert main(["study", "plan", str(protocol), *at, "--out", str(tmp_path / "plan")]) == 0
    planned = capsys.readouterr().out
    assert ("Not feasible here" if example.stem == "training_level" else "periods.") in planned
    assert f"Next: examtally study lock {protocol} --registry {registry}" in planned
    assert main(["study", "lock", str(protocol), *at, "--operator", "OP-1"]) == 0
    assert main(["study", "run", str(protocol), *at, "--out", str(tmp_path / "results")]) == 0
    said = capsys.readouterr().out
    assert re.findall(r"Next: examtally study (\w+)", said) == ["run", "report"]
    found = read_study(tmp_path / "results")
    study, results = load_study(protocol), found.results
    assert found.study == study
    assert found.lock_status.locked[0].study == study
    content = json.loads((tmp_path / "results" / "study.json").read_text(encoding="utf-8"))
    assert content["prespecified"] == sorted(one.name for one in study.analyses)
    assert content["deviations"] == []
    assert content["protocol"] == dict(study.source)
    assert results.study_analyses["analysis"].to_list() == [one.name for one in study.analyses]
    for one in study.analyses:
        assert f"{one.name} (" in said
    assert {status for frame in results.tables.values() for status in frame["status"]} == {"prespecified"}
    assert not results.has_examiners
    assert results.study_population["exams"].sum() == 180
    if "agreement" not in example.stem:
        (test, *_) = study.primary[0].tests
        assert results.flow.filter(maneuver=test)["exams"].sum() == 180


def _copy(example: Path, folder: Path) -> Path:
    """The example; all but one without the scenarios, which take long."""
    path = Path(shutil.copy(example, folder))
    if example.stem != "single_test":
        path.write_text(f"{path.read_text(encoding='utf-8')}missing: {{findings: excluded}}\n", encoding="utf-8")
    return path


def test_a_hostile_protocol_is_refused_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "study.yaml"
    text = (EXAMPLES[0].parent / "single_test.yaml").read_text(encoding="utf-8")
    path.write_text(text.replace("value: 16", 'value: "16; drop table reg.exams"'), encoding="utf-8")
    assert main(["study", "check", str(path)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert said.startswith("study.yaml, line ")


def test_the_same_registry_and_protocol_give_the_same_bytes(registry: Path, tmp_path: Path) -> None:
    for name in ("one", "other"):
        example = str(EXAMPLES[0].parent / "agreement.yaml")
        protocol = shutil.copy(example, tmp_path / "unlocked.yaml")
        _rename(Path(protocol))
        assert main(["study", "run", str(protocol), "--registry", str(registry), "--out", str(tmp_path / name)]) == 0
    files = sorted(path.name for path in (tmp_path / "one").iterdir())
    assert files == sorted(path.name for path in (tmp_path / "other").iterdir())
    for name in files:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "other" / name).read_bytes()


def _rename(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("study: joint_line_agreement", "study: never_locked"), encoding="utf-8")

"""A study's protocol, lock, results and bundle are one sealed set: a byte changed anywhere is refused in one line."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from examtally.cli.app import main
from examtally.contracts.study.study import load_study
from examtally.errors import ExamtallyError, StudyError
from examtally.registry import open_registry
from examtally.registry.audit_entry import note_use
from examtally.registry.audit_log import entries
from examtally.reporting.manuscript import methods
from examtally.reporting.manuscript.abstract import abstract
from examtally.reporting.manuscript.checklist import domains
from examtally.reporting.manuscript.limits import cannot_show
from examtally.reporting.manuscript.paper import open_paper, render_study
from examtally.reporting.manuscript.title import deviations, lock_words
from examtally.resources import resource
from examtally.results.manifest import MANIFEST, Manifest, read_manifest
from examtally.results.tablefile import file_sha256
from examtally.studies import read_study, write_bundle
from examtally.studies.bundle import PACKAGE, read_bundle
from examtally.studies.history import note_run
from examtally.studies.lock_status import ASKED_BEFORE, LockStatus
from examtally.studies.lockfile import lock_path, question_hashes, read_lock
from examtally.studies.locking import lock
from examtally.studies.running import STUDY_FILE, run, status_of

TWO: dict[str, Any] = {
    "study": "two",
    "title": "Two questions",
    "tests": {"one": {"rule": {"maneuver": "lachman"}}, "other": {"rule": {"maneuver": "lever_sign"}}},
    "target": {"condition": "acl_tear"},
    "primary": [{"name": "first", "kind": "accuracy", "tests": ["one"]}],
    "secondary": [{"name": "second", "kind": "accuracy", "tests": ["other"]}],
}


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory, kept_clinic: Path) -> Path:
    """A locked study that was run, with its registry, in a folder of its own."""
    folder = tmp_path_factory.mktemp("sealed")
    registry = Path(shutil.copy(kept_clinic, folder / "registry.duckdb"))
    example = Path(__file__).resolve().parents[3] / "docs" / "studies" / "single_test.yaml"
    protocol = Path(shutil.copy(example, folder / "study.yaml"))
    protocol.write_text(f"{protocol.read_text(encoding='utf-8')}missing: {{findings: excluded}}\n", encoding="utf-8")
    lock(protocol, registry)
    run(protocol, registry).write(folder / "results")
    return folder


@pytest.fixture
def own(sealed: Path, tmp_path: Path) -> Path:
    """A copy of one test's own."""
    return Path(shutil.copytree(sealed, tmp_path / "own"))


def _flip(path: Path) -> None:
    """Change one byte in the middle of a file."""
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(bytes(content))


def _stand(protocol: Path, registry: Path) -> LockStatus:
    with open_registry(registry) as opened:
        return status_of(load_study(protocol), opened, lock_path(protocol))


def test_a_byte_changed_in_any_file_of_the_results_is_refused(own: Path) -> None:
    files = sorted(path for path in (own / "results").rglob("*") if path.is_file())
    assert {MANIFEST, STUDY_FILE, "accuracy.csv", "accuracy.parquet"} <= {path.name for path in files}
    for path in files:
        whole = path.read_bytes()
        _flip(path)
        with pytest.raises(ExamtallyError) as caught:
            read_study(own / "results")
        assert "\n" not in str(caught.value)
        path.write_bytes(whole)
    read_study(own / "results")


@pytest.mark.parametrize("how", ["space", "added", "gone"])
def test_what_says_the_same_in_other_bytes_is_refused_too(own: Path, how: str) -> None:
    path = own / "results" / STUDY_FILE
    if how == "space":
        (own / "results" / MANIFEST).write_text(f" {(own / 'results' / MANIFEST).read_text()}", encoding="utf-8")
    elif how == "gone":
        path.unlink()
    else:
        path.write_text(f"{path.read_text(encoding='utf-8')} ", encoding="utf-8")
    with pytest.raises(ExamtallyError):
        read_study(own / "results")


def _forge(results: Path, **changed: object) -> None:
    """Change what `study.json` says, and seal the folder again as the program would."""
    path = results / STUDY_FILE
    content = json.loads(path.read_text(encoding="utf-8")) | changed
    path.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    said = read_manifest(results)
    Manifest(said.provenance, said.tables, {STUDY_FILE: file_sha256(path)}).write(results)


def test_a_study_sealed_again_after_a_change_is_told_by_itself_and_by_the_log(own: Path) -> None:
    _forge(own / "results", prespecified=["accuracy_of_lever"])
    with pytest.raises(StudyError, match=r"study\.json: was changed after the run"):
        read_study(own / "results")


def test_a_lock_that_the_log_does_not_know_makes_no_bundle(own: Path) -> None:
    (one,) = json.loads((own / "results" / STUDY_FILE).read_text(encoding="utf-8"))["lock"]
    _forge(own / "results", lock=[one | {"at": "2020-01-01T00:00:00"}])
    with pytest.raises(StudyError, match="does not agree with the registry's log"):
        write_bundle(own / "results", own / "bundle", registry=own / "registry.duckdb")
    assert not (own / "bundle").exists()


def test_a_changed_folder_makes_no_page_and_no_bundle(own: Path) -> None:
    _flip(own / "results" / STUDY_FILE)
    with pytest.raises(ExamtallyError):
        render_study(own / "results", own / "out")
    with pytest.raises(ExamtallyError):
        write_bundle(own / "results", own / "bundle", registry=own / "registry.duckdb")
    assert {path.name for path in own.iterdir()} == {"registry.duckdb", "results", "study.yaml", "study.lock.json"}


@pytest.mark.parametrize("key", ["at", "operator", "reason", "records", "kind", "log_hash"])
def test_no_word_of_a_lock_can_be_changed(own: Path, key: str) -> None:
    path = lock_path(own / "study.yaml")
    content = json.loads(path.read_text(encoding="utf-8"))
    content["entries"][0][key] = "study_amendment" if key == "kind" else "0" * 64
    path.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    with pytest.raises(StudyError, match="does not agree with the registry's log"):
        _stand(own / "study.yaml", own / "registry.duckdb")


def test_a_space_in_a_lock_is_a_change(own: Path) -> None:
    path = lock_path(own / "study.yaml")
    path.write_text(f"{path.read_text(encoding='utf-8')} ", encoding="utf-8")
    with pytest.raises(StudyError, match="was changed by hand"):
        read_lock(path)


def test_a_question_asked_again_after_its_results_were_seen_stands_on_page_one(own: Path) -> None:
    registry, again = own / "registry.duckdb", own / "again.yaml"
    note_run(load_study(own / "study.yaml"), registry)
    text = (own / "study.yaml").read_text(encoding="utf-8")
    code = load_study(own / "study.yaml").code
    again.write_text(text.replace(code, "once_more"), encoding="utf-8")
    lock(again, registry)
    with open_registry(registry) as opened:
        noted = [one.entry for one in entries(opened.con) if one.action in ("study_lock", "study_run")]
    told = [one.says for one in _stand(again, registry).deviations if one.key == ASKED_BEFORE]
    assert len(told) == 2
    assert f"were locked before, as {code}" in told[0]
    assert f"its results were seen (entry {noted[1]})" in told[0]
    assert "were seen before the lock" in told[1]
    assert [one for one in _stand(own / "study.yaml", registry).deviations if one.key == ASKED_BEFORE] == []
    run(again, registry).write(own / "other")
    paper = open_paper(own / "other", resource("reports"))
    assert f"**The same tests, target and groups were locked before, as {code}" in lock_words(paper)
    assert "were locked before" in deviations(paper)
    assert "pre-specified, but the same question was asked before (page one)" in abstract(paper)
    assert "The same question was asked before this lock" in cannot_show(paper)
    assert "locked after the same question had been asked" in methods.design(paper)
    assert "but the same question had been asked before" in methods.index_tests(paper)
    assert "though the same question had been asked before" in domains(paper)
    assert "All analyses are pre-specified" not in lock_words(paper)
    write_bundle(own / "other", own / "bundle-again", registry=registry)
    bundle = read_bundle(own / "bundle-again")
    assert list(bundle.asked_before) == told
    assert "not before the question was first asked" in (own / "bundle-again" / "README.md").read_text(encoding="utf-8")
    assert "not before the question was first asked" in (own / "bundle-again" / PACKAGE).read_text(encoding="utf-8")


def test_who_locks_a_question_that_was_asked_is_told(own: Path, capsys: pytest.CaptureFixture[str]) -> None:
    registry, again = own / "registry.duckdb", own / "again.yaml"
    text = (own / "study.yaml").read_text(encoding="utf-8")
    again.write_text(text.replace(load_study(own / "study.yaml").code, "once_more"), encoding="utf-8")
    assert main(["study", "lock", str(again), "--registry", str(registry)]) == 0
    assert "Not before the question was asked: the same tests, target and groups" in capsys.readouterr().err


def test_another_question_is_not_held_against_a_lock(own: Path) -> None:
    registry, other = own / "registry.duckdb", own / "other.yaml"
    text = (own / "study.yaml").read_text(encoding="utf-8")
    code = load_study(own / "study.yaml").code
    other.write_text(
        text.replace(code, "another").replace("maneuver: lever_sign", "maneuver: lachman"), encoding="utf-8"
    )
    lock(other, registry)
    assert _stand(other, registry).deviations == ()


def test_another_subgroup_does_not_make_it_another_question(own: Path) -> None:
    registry, other = own / "registry.duckdb", own / "other.yaml"
    text = (own / "study.yaml").read_text(encoding="utf-8")
    code = load_study(own / "study.yaml").code
    other.write_text(text.replace(code, "another").replace("subgroups: [sex]", "subgroups: [acuity]"), encoding="utf-8")
    lock(other, registry)
    assert [one.key for one in _stand(other, registry).deviations] == [ASKED_BEFORE]


def test_a_secondary_question_that_was_seen_is_no_new_primary_one() -> None:
    study = load_study(TWO)
    turned = load_study({**TWO, "primary": TWO["secondary"], "secondary": TWO["primary"]})
    asked = set(question_hashes(study, study.analyses))
    assert asked == set(question_hashes(turned, turned.analyses))
    assert set(question_hashes(turned, turned.primary)) < asked
    assert set(question_hashes(turned, turned.primary)).isdisjoint(question_hashes(study, study.primary))


def test_a_run_is_noted_once_for_each_protocol(own: Path) -> None:
    registry, study = own / "registry.duckdb", load_study(own / "study.yaml")
    for _ in range(2):
        note_run(study, registry)
    with open_registry(registry) as opened:
        assert [one.action for one in entries(opened.con)].count("study_run") == 1


def test_records_changed_after_the_lock_are_a_deviation(own: Path) -> None:
    registry = own / "registry.duckdb"
    for action in ("amend", "amend", "erase", "ingest"):
        note_use(registry, action)
    told = [one.says for one in _stand(own / "study.yaml", registry).deviations if one.key == "records"]
    assert told == ["records changed after the lock: 2 batches amended records; 1 person was erased after a withdrawal"]


def test_a_byte_changed_in_any_file_of_a_bundle_is_refused(own: Path) -> None:
    write_bundle(own / "results", own / "bundle", registry=own / "registry.duckdb")
    for path in sorted(path for path in (own / "bundle").rglob("*") if path.is_file()):
        whole = path.read_bytes()
        _flip(path)
        with pytest.raises(ExamtallyError) as caught:
            read_bundle(own / "bundle")
        assert "\n" not in str(caught.value)
        path.write_bytes(whole)
    read_bundle(own / "bundle")

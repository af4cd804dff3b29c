"""Results and locks used against a registry whose records came under another catalogue: refused, what changed named."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from examtally.contracts.catalogue.local import Kept, differences, load_local
from examtally.contracts.study.study import load_study
from examtally.disclosure.publishing import prepare
from examtally.errors import RegistryError, StudyError
from examtally.ingestion import ingest
from examtally.registry import open_registry
from examtally.registry.audit_entry import note_use
from examtally.registry.joints import check_catalogue
from examtally.results import analyze
from examtally.studies.lockfile import LOCK, LockEntry, check_locked_catalogue
from examtally.synthesis import synthesize

ELBOW = Path(__file__).resolve().parents[2] / "support" / "elbow"
SECOND = """
maneuvers:
  second_look:
    name: Second look
    phase: look
    purpose: contributor
    positive: Something is seen at the second look.
    technique: Look again.
    signs: [visible]
    synonyms: [second look]
"""


def _ours(folder: Path, name: str, more: str) -> Path:
    file = folder / name
    file.write_text(f"extends: knee\n{more}", encoding="utf-8")
    return file


def test_every_code_that_is_gone_is_named_then_what_was_added_and_changed(tmp_path: Path) -> None:
    more = SECOND
    for n in "abcdefghij":
        more += SECOND[11:].replace("second_look", f"look_{n}").replace("second", n).replace("Second", f"{n} first")
    one = Kept.of(load_local(_ours(tmp_path, "one.yaml", more)))
    two = Kept.of(load_local(_ours(tmp_path, "two.yaml", "maneuvers: {lachman: {core: false}}\ntitle: Our knee\n")))
    said = differences(one, two)
    gone = ", ".join(f"maneuvers.look_{n}" for n in "abcdefghij")
    assert said == f"no longer declared: {gone}, maneuvers.second_look; changed: title, maneuvers.lachman"
    assert differences(two, one).startswith("added: maneuvers.look_a, ")
    assert " and 3 more; changed: " in differences(two, one)


def test_a_catalogue_of_another_version_of_the_package_is_told_by_its_hash() -> None:
    said = differences(Kept("knee", "0" * 64, ""), Kept("gone", "1" * 64, ""))
    assert said == "the catalogue that comes with examtally is another; sha256 000000000000, then 111111111111"


def test_results_are_not_released_against_records_that_came_under_another_catalogue(tmp_path: Path) -> None:
    synthesize(tmp_path / "made", scenario=ELBOW / "elbow_clinic.yaml", exams=40)
    registry, records = tmp_path / "elbow.duckdb", [tmp_path / "made" / "records"]
    ingest(records, registry, catalogue=ELBOW / "elbow.yaml")
    with open_registry(registry) as opened:
        results = analyze(opened, only=("tallies", "accuracy", "flow"))
        kept = Kept(**results.provenance.catalogue)
        check_catalogue(opened.con, kept, "the results were")
    text = (ELBOW / "elbow.yaml").read_text(encoding="utf-8")
    changed = tmp_path / "elbow.yaml"
    changed.write_text(re.sub(r"^maneuvers:\n", SECOND.lstrip(), text, flags=re.MULTILINE), encoding="utf-8")
    ingest(records, registry, catalogue=changed)
    before = registry.read_bytes()
    with pytest.raises(RegistryError, match=r"^the results were made .*added: maneuvers.second_look\); make it again"):
        prepare(results, registry)
    assert registry.read_bytes() == before


def test_a_lock_made_under_another_catalogue_does_not_run(tmp_path: Path) -> None:
    registry = tmp_path / "knee.duckdb"
    synthesize(tmp_path / "made", scenario=Path("small"), exams=20)
    ingest([tmp_path / "made" / "records"], registry)
    study = load_study(next((Path(__file__).resolve().parents[3] / "docs" / "studies").glob("*.yaml")))
    for was, is_same in ((study.base.catalogue.hash, True), ("0" * 64, False)):
        details = {"study": study.code, "catalogue": was}
        entry = note_use(registry, LOCK, details=details)
        locked = LockEntry(LOCK, entry.at, None, "", "", "", entry.entry, entry.hash, dict(study.source))
        with open_registry(registry) as opened:
            if is_same:
                check_locked_catalogue(opened.con, [locked], study)
            else:
                with pytest.raises(StudyError, match=r"was locked under another catalogue of the knee .*--exploratory"):
                    check_locked_catalogue(opened.con, [locked], study)

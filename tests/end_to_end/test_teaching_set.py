"""A teaching set from the demo's registry: no code of anybody, an entry in the log, and nobody meant."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import duckdb
import pytest
from attacker import meant
from demo_run import Run

from examtally.disclosure.release import Approval
from examtally.errors import DisclosureError
from examtally.ingestion import ingest
from examtally.registry import open_registry
from examtally.registry.audit_entry import note_use
from examtally.registry.audit_log import entries
from examtally.reporting import teaching as writing
from examtally.reporting.teaching import write_teaching_set
from examtally.results.teaching import TeachingSource
from examtally.synthesis import synthesize


@pytest.mark.study
def test_nobody_is_meant_and_the_log_keeps_the_approval(
    demo: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    registry = Path(shutil.copy(demo.out / "registry.duckdb", tmp_path))
    sources: list[TeachingSource] = []
    read = writing.teaching_source
    monkeypatch.setattr(writing, "teaching_source", lambda *given: sources.append(read(*given)) or sources[-1])
    page, drawn = write_teaching_set(
        registry, tmp_path / "set", None, None, approval=Approval("audit committee", "spring course")
    )
    assert len(drawn.cases) == 16
    assert {one.is_present for one in drawn.cases} == {True, False}
    assert meant(drawn.cases, sources[0].looks) == []
    text = page.read_text(encoding="utf-8")
    with duckdb.connect(str(registry), read_only=True) as con:
        tables = {"exams": "exam_id", "participants": "participant_id", "examiners": "examiner_id"}
        for table, column in tables.items():
            codes = {code for (code,) in con.execute(f"select {column} from {table}").fetchall()}
            assert not codes & set(re.findall(r"[A-Z][A-Z0-9-]+", text))
    with open_registry(registry) as opened:
        last = entries(opened.con)[-1]
    assert last.action == "teach"
    details = json.loads(last.details)
    assert details["approved_by"] == "audit committee"
    assert re.findall(r'"ratio": [0-9]', text) == []  # nothing of these records was released
    changed = {
        **details,
        "records": "0" * 64,
        "people": {code: people - 1 for code, people in details["people"].items()},
    }
    note_use(registry, "teach", details=changed)
    with pytest.raises(DisclosureError, match="fewer than 11 people lie between them"):
        write_teaching_set(
            registry, tmp_path / "again", None, None, approval=Approval("audit committee", "autumn course")
        )
    assert not (tmp_path / "again").exists()


CLINICS = {seed: (700, 1_000, 1_500, 3_000)[seed % 4] for seed in range(20281, 20301)}


@pytest.mark.study
@pytest.mark.parametrize("seed", CLINICS)
def test_the_attacker_means_nobody_in_the_sets_of_twenty_clinics(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Clinics of 700 to 3,000 exams; a small one may have too few cases for a set, and then has none."""
    registry = tmp_path / "registry.duckdb"
    ingest([synthesize(tmp_path / "clinic", seed=seed, exams=CLINICS[seed]).out / "records"], registry)
    sources: list[TeachingSource] = []
    read = writing.teaching_source
    monkeypatch.setattr(writing, "teaching_source", lambda *given: sources.append(read(*given)) or sources[-1])
    approval = Approval("audit committee", "spring course")
    try:
        _, drawn = write_teaching_set(registry, tmp_path / "set", None, None, approval=approval)
    except DisclosureError as refused:
        print(f"clinic {seed}, {CLINICS[seed]} exams: no set ({refused})")
        assert not (tmp_path / "set").exists()
        return
    print(f"clinic {seed}, {CLINICS[seed]} exams: {len(drawn.cases)} cases")
    assert meant(drawn.cases, sources[0].looks) == []

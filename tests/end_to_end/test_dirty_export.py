"""A dirty export: every line of every file is accounted for, and no identifier in it is found anywhere afterwards."""

from __future__ import annotations

import json
import logging
import shutil
from collections import Counter
from pathlib import Path
from typing import Any

import duckdb
import pytest
from leaks import find_leaks
from records import rows_of, state

from examtally.ingestion import BatchReport, batch, ingest
from examtally.ingestion.checking.intake import examine
from examtally.registry import open_registry
from examtally.registry.workspace import Workspace
from examtally.resources import resource
from examtally.synthesis import synthesize

PLACES = ("lines", "stored", "conflict", "unchanged", "waiting", "held_back")


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("synthetic") / "out"
    synthesize(out, scenario=resource("synthetic") / "scenarios" / "small.yaml")
    return out


@pytest.fixture(scope="module")
def expected(export: Path) -> dict[str, Any]:
    return dict(json.loads((export / "dirty" / "expected.json").read_text(encoding="utf-8")))


@pytest.fixture(scope="module")
def taken(export: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, BatchReport]:
    registry = tmp_path_factory.mktemp("taken") / "registry.duckdb"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(batch, "examine", examine)  # this one by both engines
        return registry, ingest([export / "dirty"], registry, second_engine=True)


def test_every_line_ends_where_it_must(taken: tuple[Path, BatchReport], expected: dict[str, Any]) -> None:
    registry, report = taken
    assert {one.table: {place: getattr(one, place) for place in PLACES} for one in report.tables} == expected["tables"]
    kept = set(rows_of(registry, "held_back", '"table", line, rule'))
    due = {(line["table"], line["line"], line["rule"]) for line in expected["lines"] if line["outcome"] == "held_back"}
    assert due <= kept
    # what looks like a person's may be said of a line as well
    assert {line[:2] for line in kept} == {line[:2] for line in due}
    assert all(".screen_" in rule for _, _, rule in kept - due)


def test_what_is_stored_adds_up_with_what_was_counted(taken: tuple[Path, BatchReport]) -> None:
    registry, report = taken
    stored = state(registry)
    for one in report.tables:
        assert len(stored[one.table]) == one.stored
        assert len(stored.get(f"waiting.{one.table}", [])) == one.waiting


def test_both_engines_count_alike(taken: tuple[Path, BatchReport]) -> None:
    registry, report = taken
    gate = Counter(rule for (rule,) in rows_of(registry, "held_back", "rule"))
    assert [(one.rule, one.unexpected) for one in report.intake] == [
        (one.rule, gate[one.rule]) for one in report.intake
    ]
    assert sum(1 for one in report.intake if one.unexpected) >= 40


def test_the_same_export_again_changes_nothing(export: Path, taken: tuple[Path, BatchReport], tmp_path: Path) -> None:
    registry = tmp_path / "registry.duckdb"
    shutil.copy(taken[0], registry)
    before = state(registry)
    again = ingest([export / "dirty"], registry)
    assert state(registry) == before
    assert [(one.table, one.held_back, one.stored, one.waiting) for one in again.tables] == [
        (one.table, one.held_back, 0, 0) for one in taken[1].tables
    ]


def test_the_clean_records_complete_the_dirty_ones(
    export: Path, taken: tuple[Path, BatchReport], expected: dict[str, Any], tmp_path: Path
) -> None:
    """What was held back is sent again, mended; what waited is moved with its exam; what was changed stays."""
    mended, clean = tmp_path / "mended.duckdb", tmp_path / "clean.duckdb"
    shutil.copy(taken[0], mended)
    ingest([export / "records"], mended)
    assert ingest([export / "records"], clean).is_clean
    ours, theirs = (
        {name: {row[:-1] for row in rows} for name, rows in state(path).items()} for path in (mended, clean)
    )
    changed = Counter(
        line["table"] for line in expected["lines"] if line["after_records"] == "conflict" and not line["rule"]
    )
    assert {name: len(theirs[name] - ours[name]) for name in theirs} == {name: changed[name] for name in theirs}
    exams = {row[0] for row in ours["exams"]}
    assert not exams & {row[0] for name, rows in ours.items() if name.startswith("waiting.") for row in rows}


def test_no_identifier_is_found_anywhere(
    export: Path,
    expected: dict[str, Any],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Stored without compression, so that what was written and dropped again would lie open in the file."""
    planted = expected["planted"]
    names = [name for name in planted if " " in name and "/" not in name]
    inbox = tmp_path / names[0]
    inbox.mkdir()
    for number, file in enumerate(sorted((export / "dirty").glob("*.csv"))):
        shutil.copy(file, inbox / f"{file.stem} {names[number % len(names)]}.csv")
    plain_init = Workspace.__init__

    def uncompressed(self: Workspace, *args: Any) -> None:
        plain_init(self, *args)
        self.con.execute("set force_compression = 'uncompressed'")

    monkeypatch.setattr(Workspace, "__init__", uncompressed)
    monkeypatch.setattr(batch, "examine", examine)
    steps: list[str] = []
    outbox = tmp_path / "outbox"
    outbox.mkdir()
    registry = outbox / "registry.duckdb"
    with caplog.at_level(logging.DEBUG):
        report = ingest([inbox], registry, second_engine=True, progress=steps.append)
    printed = capfd.readouterr()
    logged = [caplog.text, printed.out, printed.err, *steps, report.to_json(), repr(report)]
    assert {one.table: {place: getattr(one, place) for place in PLACES} for one in report.tables} == expected["tables"]
    assert len(planted) > 20
    assert find_leaks([*planted, *names], outbox, *logged) == []

    seen = outbox / "planted.duckdb"  # the same search finds what is there
    shutil.copy(registry, seen)
    with duckdb.connect(str(seen)) as con:
        con.execute(
            "insert into waiting.findings by name select ? as exam_id, 'lachman' as maneuver, "
            "'positive' as result, 1 as batch_no",
            [names[0]],
        )
    assert {needle for needle, _ in find_leaks(planted, outbox)} == {names[0]}


def test_a_registry_made_of_clean_records_is_read_only_for_analysis(export: Path, tmp_path: Path) -> None:
    registry = tmp_path / "registry.duckdb"
    ingest([export / "records"], registry)
    with open_registry(registry) as opened, pytest.raises(duckdb.Error, match="read-only"):
        opened.con.execute("delete from reg.exams")

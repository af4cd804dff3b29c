"""Twelve monthly exports with overlaps, corrections, people who come again and withdrawals end in the final truth."""

from __future__ import annotations

import random
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from records import exam, state, write_csv

from examtally.cli.app import main
from examtally.contracts.settings import find_settings
from examtally.errors import ContractError, FileFault
from examtally.ingestion import ingest
from examtally.ingestion.feeding import feed
from examtally.registry.accounts import list_batches, list_waiting
from examtally.registry.verifying import verify
from examtally.registry.withdrawal import withdraw
from examtally.results import analyze

MAPPING = """\
title: visits and readings of a clinic, month by month
sources:
  visits: {files: "visits*.csv"}
  readings: {files: "readings*.csv"}
tables:
  participants:
    from: visits
    repeats: same
    columns: {participant_id: person, age_years: age, sex: sex, bmi: bmi, activity: activity}
  exams:
    from: visits
    columns: {exam_id: visit, participant_id: person, side: side, examiner_id: {value: EM-1}, period: month,
              exam_day: day, complaint: complaint}
  findings:
    from: visits
    columns: {exam_id: visit, maneuver: {value: lachman}, result: lachman, grade: grade}
  references:
    from: readings
    columns: {reference_id: reading, participant_id: person, side: side, modality: {value: mri}, reference_day: day,
              condition: {value: acl_tear}, status: status}
"""
SETTINGS = """\
registry = "knees.duckdb"
operator = "OP-1"
[sources.clinic]
files = "inbox/*.csv"
mapping = "clinic.yaml"
"""
GONE = "PT-7"
CORRECTED = {5: ("V-3", "lachman", "negative"), 9: ("V-12", "day", 273)}
Row = dict[str, Any]


def _visits(rng: random.Random) -> list[Row]:
    """Two visits a month, of ten people who come again and again, with their final content."""
    born = {f"PT-{n}": rng.randrange(20 * 365, 60 * 365) for n in range(1, 11)}
    rows = []
    for number in range(1, 25):
        person, day = f"PT-{rng.randrange(1, 11)}", 30 * ((number + 1) // 2) + number % 2
        rows.append(
            {
                "visit": f"V-{number}",
                "person": person,
                "side": "left",
                "month": f"P{(number + 1) // 2:03}",
                "day": day,
                "age": (born[person] + day) // 365,
                "sex": "female" if born[person] % 2 else "male",
                "bmi": rng.randrange(20, 30),
                "activity": rng.choice(["none", "recreational_sport"]),
                "complaint": "yes",
                "lachman": rng.choice(["positive", "negative"]),
                "grade": rng.choice([1, 2]),
            }
        )
    return rows


def _as_sent(row: Row, month: int) -> Row:
    """A visit as the export of `month` has it: not all is written yet, and two entries are wrong at first."""
    sent = dict(row)
    if month == int(row["month"][1:]) < 12:
        sent |= {"grade": "", "sex": "unknown", "complaint": ""}
    for since, (visit, column, _) in CORRECTED.items():
        if visit == row["visit"] and month < since:
            sent[column] = "positive" if column == "lachman" else row[column] + 1
    return sent


def _readings(visits: list[Row]) -> list[Row]:
    return [
        {
            "reading": f"R-{row['visit']}",
            "person": row["person"],
            "side": "left",
            "day": row["day"] + 20,
            "status": status,
        }
        for row, status in zip(visits[::2], ["present", "absent"] * len(visits), strict=False)
    ]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "clinic.yaml").write_text(MAPPING)
    (tmp_path / "examtally.toml").write_text(SETTINGS)
    (tmp_path / "inbox").mkdir()
    return tmp_path


def _months(visits: list[Row]) -> Iterator[tuple[int, list[Row], list[Row]]]:
    """What each month sends: the visits of three months, and readings a month late."""
    for month in range(1, 13):
        seen = [row for row in visits if month - 3 < int(row["month"][1:]) <= month]
        known = [row for row in visits if int(row["month"][1:]) <= month]
        corrected = [row for row in known if (CORRECTED.get(month) or [""])[0] == row["visit"] and row not in seen]
        yield month, [_as_sent(row, month) for row in [*corrected, *seen]], _readings(known)[: month - 1]


def test_twelve_months_end_in_the_final_truth_without_a_false_conflict(folder: Path) -> None:
    visits = _visits(random.Random(12))
    for since, (visit, column, value) in CORRECTED.items():
        (row,) = [row for row in visits if row["visit"] == visit]
        assert int(row["month"][1:]) < since
        row[column] = value
    settings, registry = find_settings(folder / "inbox"), folder / "knees.duckdb"
    assert settings is not None
    for month, seen, readings in _months(visits):
        write_csv(folder / "inbox" / f"visits-{month}.csv", seen)
        if readings:
            write_csv(folder / "inbox" / f"readings-{month}.csv", readings)
        amend: list[str] = []
        if month in CORRECTED:
            before = state(registry)
            with pytest.raises(FileFault, match=r"exams.exam_day|findings.result") as told:
                feed(settings, registry)
            assert state(registry) == before
            amend = ["exams.exam_day" if month == 9 else "findings.result"]
            assert f"--amend {amend[0]}" in str(told.value)
        (done,) = feed(settings, registry, amend=amend)
        assert done.batch is not None
        assert sum(table.conflict for table in done.batch.tables) == 0
        assert {one.rule.split(".")[-1] for one in done.batch.held_back} <= {"withdrawn"}
        if month == 6:
            withdraw(registry, GONE, erase=True)
    assert [one.batch for one in feed(settings, registry)] == [None]
    assert verify(registry).faults == ()
    truth = folder / "truth"
    truth.mkdir()
    kept = [row for row in visits if row["person"] != GONE]
    write_csv(truth / "visits.csv", kept)
    write_csv(truth / "readings.csv", [row for row in _readings(visits)[:11] if row["person"] != GONE])
    ingest([truth], truth / "r.duckdb", mapping=folder / "clinic.yaml")
    assert _content(registry) == _content(truth / "r.duckdb")
    assert all(_content(registry)[name] for name in ("participants", "exams", "findings", "references"))


def _content(registry: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every record without the number of its batch."""
    return {name: sorted((row[:-1] for row in rows), key=repr) for name, rows in state(registry).items()}


def test_settings_stand_in_for_options_and_a_month_is_one_call(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "examtally.toml").write_text('results = "results"\nreports = "pages"\n' + SETTINGS)
    visits = _visits(random.Random(3))
    write_csv(folder / "inbox" / "visits.csv", visits)
    write_csv(folder / "inbox" / "readings.csv", _readings(visits))
    monkeypatch.chdir(folder / "inbox")
    assert main(["month"]) == 0
    said = capsys.readouterr().out.splitlines()
    assert len(said) == 5
    assert said[0].startswith("Feed: 2 new files of 1 sources (0 known), no line in conflict: 83 lines, 69 stored")
    assert (folder / "pages" / "monthly-P012.html").is_file()
    assert (folder / "pages" / "index.html").is_file()
    assert list_batches(folder / "knees.duckdb")[0].operator == "OP-1"
    assert main(["batches"]) == 0
    assert main(["batches", "--no-settings"]) == 2
    fewer = partial(analyze, only=("tallies", "flow", "indicators"))  # nothing is new
    monkeypatch.setattr("examtally.month.analyze", fewer)
    assert main(["month"]) == 0
    assert capsys.readouterr().out.splitlines()[-5].startswith("Feed: 0 new files of 1 sources (2 known)")
    with (folder / "examtally.toml").open("a", encoding="utf-8") as settings:
        settings.write('\n[sources.own]\nfiles = "own/*.csv"\n')
    (folder / "own").mkdir()
    write_csv(folder / "own" / "exams.csv", [exam("V-9001-L", exam_day="2026-03-14")])
    assert main(["month"]) == 0
    assert "Source own: No line of exams was stored: of 1, 1 held back" in capsys.readouterr().err


def test_what_waits_is_told_with_its_age(folder: Path) -> None:
    write_csv(folder / "findings.csv", [{"exam_id": "V-1", "maneuver": "lachman", "result": "positive"}])
    ingest([folder / "findings.csv"], folder / "knees.duckdb")
    (one,) = list_waiting(folder / "knees.duckdb")
    assert (one.table, one.lines, one.batch_no, one.days) == ("findings", 1, 1, 0)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('key = "site.key"', "never kept in settings"),
        ('registri = "x"', "did you mean"),
        ("registry = 3", "is no text"),
        ("registry =", "is not TOML"),
        ('[sources.visits]\nmapping = "m.yaml"', "lacks the files"),
        ("sources = 3", "is no table"),
    ],
)
def test_settings_that_are_wrong_are_told(text: str, said: str, tmp_path: Path) -> None:
    (tmp_path / "examtally.toml").write_text(text)
    with pytest.raises(ContractError, match=said):
        find_settings(tmp_path)

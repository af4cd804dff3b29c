"""The page "From your system to your first report", walked as it is written with an export that names people."""

from __future__ import annotations

import csv
import datetime
import random
import re
import shutil
from pathlib import Path

import openpyxl
import pytest
from records import rows_of

from examtally.cli.app import main

PAGE = (Path(__file__).parents[2] / "docs" / "first-report.md").read_text(encoding="utf-8")
TESTS = {"Lachman": "acl", "Ant. drawer": "acl", "McM med": "mm", "JLT med": "mm", "McM lat": "lm"}
STAFF = (("Dr. Marrowgate", "Consultant"), ("Dr. Quill", "Registrar"), ("Ms Stookwell", "Physio"))
VISITS = 130


def _write_raw(folder: Path) -> None:
    """A workbook with a title, merged heads and totals, and reports in one cell, with names, numbers and dates."""
    rng = random.Random(5)
    book = openpyxl.Workbook()
    page = book.active
    page.title = "Knee clinic"
    page.append(["Knee clinic, visits of all doctors"])
    page.append([None] * 8 + ["Right knee", *[None] * (len(TESTS) - 1), "Left knee"])
    head = ["Visit no", "MRN", "Patient name", "DOB", "Visit date", "Seen by", "Grade of doctor", "Knee complained of"]
    page.append([*head, *TESTS, *TESTS])
    reports = []
    for number in range(1, VISITS + 1):
        person = rng.randrange(60)
        born = datetime.date(1970 + person % 35, 1 + person % 12, 1 + person % 27)
        date = datetime.date(2031, 3, 3) + datetime.timedelta(days=number // 5)
        side, true = rng.choice(("right", "left")), {name: rng.random() < 0.4 for name in ("acl", "mm", "lm")}
        cells = [
            ("pos" if true[name] else "neg") if side == one else rng.choice(("neg", "ND", None))
            for one in ("right", "left")
            for name in TESTS.values()
        ]
        record = f"{4471000 + 37 * person}"
        page.append([f"V{number:04}", record, "Jo Ferrowby", born, date, *rng.choice(STAFF), side, *cells])
        said = {name: ("torn" if is_so else "normal") for name, is_so in true.items()}
        report = (
            f"ACL: {said['acl']}; MM: {said['mm']}; LM: {said['lm']}; Effusion: {'small' if true['acl'] else 'none'}"
        )
        scanned = date + datetime.timedelta(days=9)
        reports.append([f"ACC{90000 + number}", record, f"{scanned:%d.%m.%Y}", side[0].upper(), "Dr. Radley", report])
    page.append(["Total", VISITS])
    folder.mkdir()
    book.save(folder / "visits.xlsx")
    with (folder / "mri.csv").open("w", newline="", encoding="latin-1") as stream:
        writer = csv.writer(stream, delimiter=";")
        writer.writerows([["Accession", "MRN", "Scan date", "Side", "Read by", "Report"], *reports[::2]])


def _blocks() -> list[tuple[str, str]]:
    """The blocks of the page, with the language of each."""
    return re.findall(r"```(\w*)\n(.*?)```", PAGE, re.DOTALL)


def _after(command: str) -> None:
    """What the page tells a person to do by hand after a command."""
    if command.startswith("examtally map draft"):
        mapping = Path("clinic.yaml")
        text = mapping.read_text(encoding="utf-8")
        assert "no status yet for 'small'" in text
        mapping.write_text(text.replace("status: {matches: {", 'status: {matches: {"\\\\bsmall\\\\b": present, '))
    if command.startswith("examtally deidentify"):
        shutil.copy("inbox/2031-03/mapping.yaml", "clinic-coded.yaml")


@pytest.mark.study
def test_the_page_leads_from_an_export_with_names_to_a_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "knees").mkdir()
    monkeypatch.chdir(tmp_path / "knees")
    _write_raw(Path("raw"))
    for language, block in _blocks():
        if language == "toml":
            Path("examtally.toml").write_text(block, encoding="utf-8")
            continue
        for command in block.strip().splitlines():
            if command.startswith("mkdir"):
                Path(command.split()[1]).mkdir()
                continue
            assert main(command.split()[1:]) == 0, (command, capsys.readouterr().err)
            _after(command)
    assert Path("reports/audit.html").exists()
    assert Path("reports/index.html").exists()
    assert len(rows_of(Path("knees.duckdb"), "exams", "exam_id")) == 2 * VISITS
    assert len(rows_of(Path("knees.duckdb"), '"references"', "reference_id")) == 4 * (VISITS // 2)
    assert main(["map", "learn", "clinic.yaml"]) == 0
    assert "small" in Path("synonyms.yaml").read_text(encoding="utf-8")

"""Four messy exports of invented clinics as their systems give them, with people, dates and grades still in them."""

from __future__ import annotations

import csv
import random
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from pathlib import Path

import openpyxl

Rows = Sequence[Sequence[object]]
STAFF = ("Halloway", "Brannock", "Quillmere")
_SURNAMES = ("Marrowgate", "Tarnbeck", "Fellsworth", "Oakhurst", "Penhallow", "Wrenfield")
_WHEN = date(2031, 1, 6)


def _people(seed: int, form: str, born: str) -> list[dict[str, str]]:
    """Thirty people: a record number of this form, a name, a date of birth and a sex."""
    rng = random.Random(seed)
    return [
        {
            "number": form.format(410_000 + 37 * at),
            "name": f"{rng.choice(_SURNAMES)}, {rng.choice('ABCDEFGH')}.",
            "born": (date(1975, 1, 1) + timedelta(rng.randrange(12_000))).strftime(born),
            "sex": rng.choice("MF"),
        }
        for at in range(30)
    ]


def _write(path: Path, rows: Rows, delimiter: str = ",", encoding: str = "utf-8") -> None:
    with path.open("w", newline="", encoding=encoding) as stream:
        csv.writer(stream, delimiter=delimiter).writerows(rows)


def _hill(folder: Path) -> None:
    """A workbook of visits, one row a knee, grades in columns of their own; MRI readings by structure with severity."""
    rng = random.Random(1)
    people = _people(1, "{}", "%d/%m/%Y")
    book = openpyxl.Workbook()
    page = book.active
    page.append(["Knee clinic list"])
    page.append(
        ["MRN", "Surname", "DOB", "Sex", "Clinic date", "Seen by", "Level", "Knee", "Lachman", "Lachman grade",
         "Pivot shift", "Pivot shift grade", "Posterior drawer", "McMurray med", "MJLT", "Effusion", "Phone",
         "Comments"]
    )  # fmt: skip
    for at, one in enumerate(people):
        positive = rng.random() < 0.5
        page.append(
            [one["number"], one["name"], one["born"], one["sex"], (_WHEN + timedelta(3 * at)).strftime("%d/%m/%Y"),
             f"Dr {rng.choice(STAFF)}", rng.choice(("Consultant", "Registrar", "Physio")), rng.choice(("Rt", "Lt")),
             "pos" if positive else "neg", rng.choice(("I", "II", "III")) if positive else "0",
             rng.choice(("positive", "negative", "n/t")), rng.choice(("gr 1", "gr 2", "gr 3", None)),
             rng.choice(("pos", "neg", "n/t")), rng.choice(("+", "-", "n/t")), rng.choice(("Y", "N")),
             rng.choice(("nil", "mild", "mod", "gross")), f"0555 01{at:02} 77{at:02}", "seen with mother, anxious"]
        )  # fmt: skip
    page.append(["Total", len(people)])
    book.save(folder / "clinic list.xlsx")
    rows = [
        ["MRN", "Accession No", "Scan date", "Knee", "Reported by", "ACL", "PCL", "MCL", "Med meniscus", "Conclusion"]
    ]
    for at, one in enumerate(people[::2]):
        rows.append(
            [one["number"], f"A-2031-{700 + at}", (_WHEN + timedelta(6 * at + 9)).strftime("%d/%m/%Y"),
             rng.choice(("Rt", "Lt")), f"Dr {rng.choice(STAFF)}",
             rng.choice(("complete tear", "partial tear", "intact")), rng.choice(("intact", "partial tear")),
             rng.choice(("grade 1", "grade 2", "grade 3", "normal")),
             rng.choice(("displaced tear", "tear", "normal")), "Discussed with the family at length by telephone."]
        )  # fmt: skip
    _write(folder / "mri.csv", rows)


def _lake(folder: Path) -> None:
    """One row a test with a column of grades; operation findings one row a structure with a column of severities."""
    rng = random.Random(2)
    people = _people(2, "K{}", "%d.%m.%Y")
    rows = [
        ["Patient ID", "Date of birth", "Gender", "Visit no", "Visit date", "Examiner", "Side", "Test", "Outcome",
         "Grade", "End feel"]
    ]  # fmt: skip
    for at, one in enumerate(people):
        side, who = rng.choice(("right", "left")), rng.choice(STAFF)
        for test in ("Lachman", "Ant drawer", "Pivot", "Post drawer"):
            outcome = rng.choice(("pos", "neg", "not tested", "equivocal"))
            grade = {"pos": rng.choice(("1+", "2+", "3+")), "neg": "0"}.get(outcome, "")
            rows.append(
                [one["number"], one["born"], {"M": "male", "F": "female"}[one["sex"]], f"{88_000 + at}",
                 (_WHEN + timedelta(4 * at)).strftime("%d.%m.%Y"), who, side, test, outcome, grade,
                 rng.choice(("soft", "firm", "")) if outcome == "pos" else ""]
            )  # fmt: skip
    _write(folder / "tests.csv", rows, ";")
    found = [["Patient ID", "OP no", "OP date", "Side", "Structure", "Finding", "Severity"]]
    for at, one in enumerate(people[::3]):
        side = rng.choice(("right", "left"))
        for structure, grades in {
            "ACL": ("partial", "total"),
            "PCL": ("partial", "total"),
            "MCL": ("Grade I", "Grade II", "Grade III"),
            "Med. meniscus": ("displaced", "undisplaced"),
            "Lat. meniscus": ("displaced", "undisplaced"),
        }.items():
            is_torn = rng.random() < 0.5
            found.append(
                [one["number"], f"OP{5_500 + at}", (_WHEN + timedelta(10 * at + 30)).strftime("%d.%m.%Y"), side,
                 structure, "torn" if is_torn else "intact", rng.choice(grades) if is_torn else ""]
            )  # fmt: skip
    _write(folder / "arthroscopy.csv", found, ";")


def _moor(folder: Path) -> None:
    """Both knees on a row, result, grade and end point in one cell; ultrasound reports in one cell a report."""
    rng = random.Random(3)
    people = _people(3, "H-{}", "%Y-%m-%d")
    tests = ("Lachman", "Ant drawer", "Valgus 30", "Varus 30")
    rows = [
        ["Hosp. No.", "Name", "Postcode", "Age", "Sex", "Date of visit", "Clinician", "Date of injury",
         *(f"{side} {test}" for side in "RL" for test in tests), "Notes"]
    ]  # fmt: skip
    cells = ("neg", "neg", "1+ firm", "2+ soft", "3+ soft", "not done", "")
    for at, one in enumerate(people):
        seen = _WHEN + timedelta(5 * at)
        rows.append(
            [one["number"], one["name"], f"QX{at} 4ZZ", str(18 + at), one["sex"], seen.isoformat(), rng.choice(STAFF),
             (seen - timedelta(rng.randrange(3, 300))).isoformat(),
             *(rng.choice(cells) for _ in range(8)), "returns to sport in spring, wants advice"]
        )  # fmt: skip
    _write(folder / "visits.csv", rows)
    report = [["Hosp. No.", "Report no", "Date of scan", "Side", "Report"]]
    for at, one in enumerate(people[::2]):
        parts = [
            f"MCL: {rng.choice(('grade 1 sprain', 'grade 2 sprain', 'grade 3 sprain', 'normal'))}",
            f"LCL: {rng.choice(('grade 1 sprain', 'normal'))}",
            f"Popliteal cyst: {rng.choice(('present', 'absent'))}",
        ]
        report.append(
            [one["number"], f"US{9_100 + at}", (_WHEN + timedelta(6 * at + 20)).isoformat(), rng.choice("RL"),
             "; ".join(parts)]
        )  # fmt: skip
    _write(folder / "ultrasound.csv", report)


def _fen(folder: Path) -> None:
    """A workbook of three sheets: people, visits, radiographs graded in the usual five steps."""
    rng = random.Random(4)
    people = _people(4, "{}", "%m/%d/%Y")
    book = openpyxl.Workbook()
    who = book.active
    who.title = "Patients"
    who.append(["Record number", "First name", "Birth date", "Gender", "Email"])
    for one in people:
        who.append([one["number"], one["name"], one["born"], one["sex"], f"{one['name'][:4].lower()}@post.example"])
    visits = book.create_sheet("Visits")
    visits.append(
        ["Record number", "Encounter", "Encounter date", "Provider", "Laterality", "Lachman", "Effusion grade",
         "Patellar tap", "Crepitus", "Varus stress"]
    )  # fmt: skip
    for at, one in enumerate(people):
        visits.append(
            [one["number"], 60_000 + at, (_WHEN + timedelta(2 * at)).strftime("%m/%d/%Y"), f"{rng.choice(STAFF)} MD",
             rng.choice(("Right", "Left")), rng.choice(("Grade 1", "Grade 2", "Grade 3", "Normal", "Unable")),
             rng.choice(("none", "small", "moderate", "large")), rng.choice(("Positive", "Negative")),
             rng.choice(("None", "Fine", "Coarse")), rng.choice(("Positive", "Negative", "Unable"))]
        )  # fmt: skip
    films = book.create_sheet("X-ray")
    films.append(["Record number", "Accession", "Study date", "Laterality", "Read by", "KL grade"])
    for at, one in enumerate(people[::2]):
        films.append(
            [one["number"], f"XR{310 + at}", (_WHEN + timedelta(4 * at + 1)).strftime("%m/%d/%Y"),
             rng.choice(("Right", "Left")), f"{rng.choice(STAFF)} MD", f"KL {rng.randrange(5)}"]
        )  # fmt: skip
    book.save(folder / "export.xlsx")


NAMED: dict[str, Callable[[Path], None]] = {"hill": _hill, "lake": _lake, "moor": _moor, "fen": _fen}

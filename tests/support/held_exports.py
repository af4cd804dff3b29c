"""Eight messy exports of one invented clinic, written as its systems would, and the records that they must come to."""

from __future__ import annotations

import csv
import random
from collections.abc import Callable, Sequence
from pathlib import Path

import openpyxl

Cells = Sequence[object]
SIDES = {"R": "right", "L": "left"}
MANEUVERS = ("lachman", "anterior_drawer", "mcmurray_medial", "lateral_joint_line_tenderness")
RESULTS = ("positive", "negative", "not_done")
CONDITIONS = ("acl_tear", "medial_meniscus_tear", "lateral_meniscus_tear")


def visits() -> list[dict[str, str]]:
    """Twelve visits of eight people: who, when, by whom, and what was found in which knee."""
    rng = random.Random(8)
    found = []
    for number in range(1, 13):
        row = {
            "visit": f"V-{number:02}",
            "person": f"PT-{rng.randrange(1, 9)}",
            "examiner": f"EM-{rng.randrange(1, 4)}",
            "month": f"2031-{1 + number // 3:02}",
            "day": str(10 * number),
        }
        row |= {f"{side} {maneuver}": rng.choice((*RESULTS, "")) for side in SIDES for maneuver in MANEUVERS}
        found.append(row | {"R lachman": rng.choice(RESULTS), "L lachman": rng.choice(RESULTS)})
    return found


def readings() -> list[dict[str, str]]:
    """A reading of the right knee for every third visit, two of them in two versions, the second of which counts."""
    rng = random.Random(9)
    return [
        {
            "accession": f"RD-{row['visit'][2:]}",
            "person": row["person"],
            "day": str(int(row["day"]) + 7),
            "version": version,
            **{condition: rng.choice(("present", "absent")) for condition in CONDITIONS},
        }
        for row in visits()[::3]
        for version in (("1", "2") if row["visit"] in ("V-01", "V-07") else ("1",))
    ]


def exams_due(sides: str = "RL") -> list[tuple[str, ...]]:
    """The exams: code, person, side, examiner, month, day."""
    names = ("person", "examiner", "month", "day")
    return sorted(
        (f"{row['visit']}-{side}", row[names[0]], SIDES[side], *(row[name] for name in names[1:]))
        for row in visits()
        for side in sides
    )


def findings_due(sides: str = "RL") -> list[tuple[str, ...]]:
    """The findings: exam, maneuver, result."""
    return sorted(
        (f"{row['visit']}-{side}", maneuver, row[f"{side} {maneuver}"])
        for row in visits()
        for side in sides
        for maneuver in MANEUVERS
        if row[f"{side} {maneuver}"]
    )


def references_due() -> list[tuple[str, ...]]:
    """The readings: code, person, side, day, condition, status; of two versions the later."""
    latest = {row["accession"]: row for row in readings()}
    return sorted(
        (row["accession"], row["person"], "right", row["day"], condition, row[condition])
        for row in latest.values()
        for condition in CONDITIONS
    )


def _words(row: dict[str, str], names: dict[str, str], words: dict[str, str], sides: str = "RL") -> list[str]:
    return [words[row[f"{side} {maneuver}"]] for side in sides for maneuver in names]


def _write(path: Path, rows: Sequence[Cells], delimiter: str = ",", encoding: str = "utf-8") -> None:
    with path.open("w", newline="", encoding=encoding) as stream:
        csv.writer(stream, delimiter=delimiter).writerows(rows)


BASE = ("visit", "person", "examiner", "month", "day")
LOCAL = {
    "lachman": "Lach",
    "anterior_drawer": "ant drawer 90",
    "mcmurray_medial": "McM med",
    "lateral_joint_line_tenderness": "JLT-L",
}
SIGNS = {"positive": "+", "negative": "neg", "not_done": "ND", "": ""}


def _wide(folder: Path) -> None:
    head = [
        "Visit",
        "Study ID",
        "Seen by",
        "Month",
        "Day",
        *(f"{side} {word}" for side in SIDES for word in LOCAL.values()),
    ]
    _write(
        folder / "visits.csv", [head, *([row[name] for name in BASE] + _words(row, LOCAL, SIGNS) for row in visits())]
    )


def _long_rows() -> list[list[str]]:
    return [
        [
            f"{row['visit']}-{side}",
            *(row[name] for name in BASE[1:]),
            side,
            LOCAL[maneuver],
            SIGNS[row[f"{side} {maneuver}"]],
        ]
        for row in visits()
        for side in SIDES
        for maneuver in MANEUVERS
        if row[f"{side} {maneuver}"]
    ]


LONG = ["Exam", "Patient", "Examiner", "Month", "Day", "Knee", "Test", "Finding"]


def _long(folder: Path) -> None:
    _write(folder / "tests.csv", [LONG, *_long_rows()], "\t")


def _sheets(folder: Path) -> None:
    book = openpyxl.Workbook()
    book.active.title = "Visits"
    book.active.append(["Visit", "Patient", "Examiner", "Month", "Day"])
    for row in visits():
        book.active.append([row[name] for name in BASE])
    tests = book.create_sheet("Tests")
    tests.append(["Visit", "Knee", "Test", "Finding"])
    for row in _long_rows():
        tests.append([row[0][:-2], *row[5:]])
    book.save(folder / "clinic.xlsx")


def _merged(folder: Path) -> None:
    book = openpyxl.Workbook()
    page = book.active
    page.append(["Knee clinic, all visits"])
    page.append([None] * 5 + ["Right knee", None, None, None, "Left knee"])
    page.merge_cells("F2:I2")
    page.merge_cells("J2:M2")
    page.append(["Visit", "Patient", "Examiner", "Month", "Day", *LOCAL.values(), *LOCAL.values()])
    for row in visits():
        page.append([cell or None for cell in [row[name] for name in BASE] + _words(row, LOCAL, SIGNS)])
    page.append(["Total", len(visits())])
    book.save(folder / "visits.xlsx")


def _footed(folder: Path) -> None:
    rows = [["Export of the knee clinic"], [], LONG, *_long_rows(), ["Total rows: many"], ["Printed for the meeting"]]
    _write(folder / "tests.csv", rows)


GERMAN = {"positive": "auslösbar", "negative": "unauffällig", "not_done": "nicht geprüft", "": ""}


GERMAN_NAMES = ("Lachman", "Vordere Schublade", "McMurray innen", "Druckschmerz außen")


def _latin(folder: Path) -> None:
    sided = [f"{name} {side}" for side in ("re", "li") for name in GERMAN_NAMES]
    rows = [[row[name] for name in BASE] + _words(row, LOCAL, GERMAN) for row in visits()]
    _write(
        folder / "befunde.csv", [["Besuch", "Patient", "Untersucher", "Monat", "Tag", *sided], *rows], ";", "latin-1"
    )


def _semicolon(folder: Path) -> None:
    rows = [
        [
            f"{row['visit']}-{side}",
            *(row[name] for name in BASE[1:]),
            word,
            *_words(row, LOCAL, SIGNS, side),
            "~6 wks",
            "x",
        ]
        for row in visits()
        for side, word in SIDES.items()
    ]
    _write(folder / "export.csv", [[*BASE, "knee", *MANEUVERS, "onset weeks", "remark"], *rows], ";")


SHORT = {"acl_tear": "ACL", "medial_meniscus_tear": "MM", "lateral_meniscus_tear": "LM"}


def _joined(folder: Path) -> None:
    _write(
        folder / "visits.csv",
        [["Visit", "Patient", "Examiner", "Month", "Day"], *([r[n] for n in BASE] for r in visits())],
    )
    _write(folder / "tests.csv", [["Visit", "Knee", "Test", "Finding"], *([r[0][:-2], *r[5:]] for r in _long_rows())])
    head = ["Accession", "Patient", "Day", "Version", "Report"]
    rows = [
        [row[name] for name in ("accession", "person", "day", "version")]
        + ["; ".join(f"{short}: {'torn' if row[code] == 'present' else 'normal'}" for code, short in SHORT.items())]
        for row in readings()
    ]
    _write(folder / "mri.csv", [head, *rows])


WRITERS: dict[str, Callable[[Path], None]] = {
    "wide": _wide,
    "long": _long,
    "sheets": _sheets,
    "merged": _merged,
    "footed": _footed,
    "latin": _latin,
    "semicolon": _semicolon,
    "joined": _joined,
}

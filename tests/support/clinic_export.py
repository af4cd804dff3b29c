"""An export that still carries record numbers, names and dates, and the mapping that goes with it. All is invented."""

from __future__ import annotations

import csv
import datetime
import random
from pathlib import Path

MAPPING = """
title: Visits and readings of a knee clinic
sources:
  visits: {files: "visits*.csv", delimiter: semicolon, encoding: latin-1}
  readings: {files: "mri*.csv"}
tables:
  examiners:
    from: visits
    repeats: same
    columns: {examiner_id: Seen by, role: {value: attending}, site_id: Clinic}
  participants:
    from: visits
    repeats: same
    columns: {participant_id: MRN, age_years: age, sex: {column: Sex, codes: {F: female, M: male}},
              activity: {value: competitive_sport}}
  exams:
    from: visits
    columns:
      exam_id: Encounter
      participant_id: MRN
      examiner_id: Seen by
      side: {column: Knee, codes: {R: right, L: left}}
      period: month
      exam_day: Visit date
      days_since_onset: onset
      setting: {column: Place, codes: {field: sideline, room: clinic}}
  findings:
    from: visits
    columns:
      exam_id: Encounter
      maneuver: {value: lachman}
      result: {column: Lachman, codes: {+: positive, "-": negative}}
  references:
    from: readings
    columns:
      reference_id: Accession
      participant_id: Patient ID
      side: {column: Knee, codes: {R: right, L: left}}
      modality: {value: mri}
      reference_day: Scan date
      condition: {value: acl_tear}
      status: {column: ACL, codes: {torn: present, intact: absent}}
      reader_id: Read by
deidentify:
  participant: [MRN, Patient ID]
  codes: {Encounter: exam, Seen by: examiner, Read by: examiner, Accession: reference, Clinic: site}
  dates: [Visit date, Scan date]
  date_order: day_first
  period: {column: month, from: Visit date, as: month}
  age: {column: age, born: Born, at: Visit date}
  between: {onset: [Hurt on, Visit date]}
"""
DOCTORS = ("Dr. Ottoline Marrowgate", "Dr. Peregrine Stookwell", "Dr. Tamsin Ferrowby")
Row = dict[str, str]


def write_export(folder: Path, *, people: int = 60, first: int = 0, seed: int = 7) -> tuple[list[Row], list[Row]]:
    """Write visits.csv, mri.csv and mapping.yaml; return the rows. People are counted from `first`."""
    folder.mkdir(parents=True, exist_ok=True)
    chance = random.Random(seed)
    visits, readings = [], []
    for person in range(first, first + people):
        mrn, begin = (
            f"{4_471_000 + 37 * person:08d}",
            datetime.date(2031, 1, 3) + datetime.timedelta(chance.randrange(540)),
        )
        born = datetime.date(1935 + chance.randrange(80), 1 + chance.randrange(12), 1 + chance.randrange(28))
        knee = chance.choice("RL")
        for visit in range(1 + chance.randrange(3)):
            day = begin + datetime.timedelta(21 * visit)
            visits.append(
                {
                    "Name": f"Ferrowby-{person}, Tamsin",
                    "MRN": mrn,
                    "Encounter": f"{88_000_000 + 10 * person + visit}",
                    "Born": f"{born:%d.%m.%Y}",
                    "Sex": chance.choice("FM") if visit == 0 else visits[-1]["Sex"],
                    "Visit date": f"{day:%d.%m.%Y}",
                    "Hurt on": f"{begin - datetime.timedelta(5):%d.%m.%Y}",
                    "Seen by": DOCTORS[person % 3],
                    "Clinic": f"Marrowgate {person % 3}",
                    "Place": chance.choice(("field", "room", "room")),
                    "Knee": knee,
                    "Lachman": chance.choice("+-"),
                    "Notes": "fell on the way home, müde, call +1 555 0100 4471",
                }
            )
        scan = begin + datetime.timedelta(9)
        readings.append(
            {
                "Patient ID": mrn.lstrip("0"),
                "Accession": f"ACC{person:07d}",
                "Scan date": f"{scan:%d.%m.%Y} 08:15",
                "Knee": knee,
                "ACL": chance.choice(("torn", "intact")),
                "Read by": DOCTORS[(person + 1) % 3],
            }
        )
    _write(folder / "visits.csv", visits, ";", "latin-1")
    _write(folder / "mri.csv", readings, ",", "utf-8")
    (folder / "mapping.yaml").write_text(MAPPING)
    return visits, readings


def _write(path: Path, rows: list[Row], delimiter: str, encoding: str) -> None:
    with path.open("w", newline="", encoding=encoding) as stream:
        writer = csv.DictWriter(stream, list(rows[0]), delimiter=delimiter)
        writer.writeheader()
        writer.writerows(rows)

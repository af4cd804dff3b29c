"""A mapping file is refused with its line and the mend, whatever is wrong with it."""

from __future__ import annotations

from pathlib import Path

import pytest

from examtally.contracts.contract import load_contract
from examtally.contracts.mapping.file import load_mapping
from examtally.errors import MappingError

SOUND = """\
title: a test list
sources:
  tests: {files: "*.csv"}
tables:
  findings:
    each: {side: {L: left, R: right}, maneuver: {Lach: lachman}}
    cell: "{maneuver} {side}"
    when_any: ["Lach {side}"]
    columns:
      exam_id: {join: [visit, {each: side}]}
      maneuver: {each: maneuver}
      result: {codes: {"+": positive, "-": negative}}
"""

FAULTS = {
    "an unknown key": ("title: a test list", "titel: a test list", "line 1", "did you mean 'title'"),
    "a code that is none": ('"+": positive', '"+": postive', "line 12", "positive, negative, equivocal, not_done"),
    "a maneuver that is none": ("Lach: lachman", "Lach: lackman", "line 11", "is not a code of maneuver"),
    "a name of each that is none": ("{maneuver} {side}", "{maneuver} {knee}", "line 7", "is not a name of `each`"),
    "a required column left out": (
        "      maneuver: {each: maneuver}\n",
        "",
        "line 9",
        "lacks columns that findings needs",
    ),
    "one word twice": ('"-": negative', '"+ ": negative', "line 12", "is the same word as"),
    "two sources of a value": ("{each: maneuver}", "{each: maneuver, value: lachman}", "line 11", "keep one of them"),
    "a source no table reads": ("  tests:", "  other: {}\n  tests:", "line 6", "does not say which source"),
    "an encoding that is none": ('{files: "*.csv"}', "{encoding: utf-16}", "line 3", "utf-8, latin-1, cp1252"),
    "blanks that mean negative without an exam": (
        '    when_any: ["Lach {side}"]\n',
        "    blank_means: {negative: [lachman]}\n",
        "line 8",
        "a knee that was not examined",
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_is_one_line_with_its_place_and_mend(fault: str, tmp_path: Path) -> None:
    before, after, place, words = FAULTS[fault]
    assert before in SOUND
    path = tmp_path / "mapping.yaml"
    path.write_text(SOUND.replace(before, after, 1), encoding="utf-8")
    with pytest.raises(MappingError) as raised:
        load_mapping(path, load_contract())
    said = str(raised.value)
    assert "\n" not in said
    assert f"mapping.yaml, {place}" in said
    assert words in said


def test_every_fault_of_a_file_is_said_at_once(tmp_path: Path) -> None:
    """Also where one entry stands for a list of one, and for faults that only the table can tell."""
    path = tmp_path / "mapping.yaml"
    path.write_text(
        """\
titel: a test list
sources:
  tests: {files: "*.csv", delimiter: pipe}
  other: {}
tables:
  findings:
    each: {side: {L: left, R: right}, maneuver: {Lach: lachman}}
    from: test
    cell: "{maneuver} {knee}"
    columns:
      exam_id: {join: [visit, {each: sides}]}
      maneuvre: {each: maneuver}
      result: {codes: {"+": postive}, value: negative}
  exams:
    from: other
    columns: {exam_id: no, side: {codes: {li: left}}}
deidentify: {participant: [name], age: {column: years, born: birth}}
""",
        encoding="utf-8",
    )
    with pytest.raises(MappingError) as raised:
        load_mapping(path, load_contract())
    assert [line.split(": ")[0] for line in str(raised.value).split("\n")] == [
        "mapping.yaml, line 1, titel",
        "mapping.yaml, line 3, sources.tests.delimiter",
        "mapping.yaml, line 13, tables.findings.columns.result.codes",
        "mapping.yaml, line 17, deidentify.age",
    ]
    path.write_text(
        path.read_text(encoding="utf-8")
        .replace("titel", "title")
        .replace("pipe", "bar")
        .replace(", value: negative", "")
        .replace("born: birth", "born: birth, at: visit"),
        encoding="utf-8",
    )
    with pytest.raises(MappingError) as raised:
        load_mapping(path, load_contract())
    assert [line.split(": ")[0] for line in str(raised.value).split("\n")] == [
        "mapping.yaml, line 8, tables.findings.from",
        "mapping.yaml, line 9, tables.findings.cell",
        "mapping.yaml, line 11, tables.findings.columns.exam_id.join[1].each",
        "mapping.yaml, line 12, tables.findings.columns.maneuvre",
        "mapping.yaml, line 13, tables.findings.columns.result.codes.+",
        "mapping.yaml, line 16, tables.exams.columns.side",
    ]


def test_the_sound_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "mapping.yaml"
    path.write_text(SOUND, encoding="utf-8")
    (rows,) = load_mapping(path, load_contract()).rows
    assert (rows.table, rows.source, dict(rows.each["maneuver"])) == ("findings", "tests", {"Lach": "lachman"})


@pytest.mark.parametrize(
    ("modality", "said"),
    [("ultrasound: absent", "no reading of it covers"), ("mri: negative", "is not what unlisted means")],
)
def test_only_what_a_reading_always_covers_can_be_unlisted(modality: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "mapping.yaml"
    path.write_text(
        "title: t\nsources:\n  a: {}\ntables:\n  references:\n    unlisted: {" + modality + "}\n    columns:\n"
        "      {reference_id: r, participant_id: p, side: s, modality: m, reference_day: d, condition: c, status: t}\n",
        encoding="utf-8",
    )
    with pytest.raises(MappingError, match=f"line 6.*{said}"):
        load_mapping(path, load_contract())

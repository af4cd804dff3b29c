"""What a mapping does not declare is written nowhere: names in the columns of findings, scores in those of sides."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from clinic_export import write_export
from leaks import find_leaks
from records import write_csv

from examtally.cli.app import main
from examtally.deidentification import deidentify, make_key
from examtally.deidentification.patterned import Patterned
from examtally.deidentification.undeclared import REMOVED, Undeclared
from examtally.errors import FileFault
from examtally.ingestion import batch, check

PLANTED = {
    ("visits", 2, "Lachman"): "Ottoline Marrowgate",
    ("visits", 5, "Lachman"): "+ Stookwell",
    ("visits", 9, "Sex"): "Tamsin",
    ("visits", 12, "Knee"): "Ferrowby",
    ("visits", 20, "Place"): "room of Peregrine",
    ("mri", 4, "ACL"): "torn, says Ottoline",
    ("mri", 7, "Knee"): "left?",
}


@pytest.fixture
def spoiled(tmp_path: Path) -> Path:
    """An export with a word of a person's in seven cells, by file, line and column."""
    folder = tmp_path / "export"
    write_export(folder, people=60)
    for name, delimiter, encoding in (("visits", ";", "latin-1"), ("mri", ",", "utf-8")):
        path = folder / f"{name}.csv"
        with path.open(newline="", encoding=encoding) as stream:
            rows = list(csv.reader(stream, delimiter=delimiter))
        for (file, line, column), text in PLANTED.items():
            if file == name:
                rows[line - 1][rows[0].index(column)] = text
        with path.open("w", newline="", encoding=encoding) as stream:
            csv.writer(stream, delimiter=delimiter).writerows(rows)
    make_key(tmp_path / "site.key", around=2031)
    return folder


def test_what_is_not_declared_is_replaced_listed_and_held_back_later(
    spoiled: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(batch, "examine", lambda *_: ())
    out = tmp_path / "out"
    made = deidentify([spoiled], spoiled / "mapping.yaml", tmp_path / "site.key", out)
    words = ("Ottoline", "Marrowgate", "Stookwell", "Tamsin", "Ferrowby", "Peregrine", "left?")
    assert find_leaks(words, out, made.to_json()) == []
    for name, file in (("visits", "visits"), ("readings", "mri")):
        with (spoiled / f"{file}.csv").open(newline="", encoding="latin-1") as stream:
            header = next(csv.reader(stream, delimiter=";" if file == "visits" else ","))
        wanted: dict[int, list[int]] = {}
        for source, line, column in PLANTED:
            if source == file:
                wanted.setdefault(header.index(column) + 1, []).append(line)
        (one,) = [each for each in made.files if each.source == name]
        assert one.undeclared == tuple(Undeclared(place, tuple(lines)) for place, lines in sorted(wanted.items()))
    report = check([out], mapping=out / "mapping.yaml")
    held = {(one.table, one.column): one.lines for one in report.held_back}
    assert held["findings", "result"] == 2
    assert held["exams", "side"] == held["participants", "sex"] == held["references", "status"] == 1
    assert main(["deidentify", str(spoiled), "--mapping", str(spoiled / "mapping.yaml"), "--key",
                 str(tmp_path / "site.key"), "--out", str(tmp_path / "again")]) == 0  # fmt: skip
    said = capfd.readouterr()
    assert find_leaks(words, said.out, said.err) == []
    assert said.out.count(f"are replaced by {REMOVED}, in line ") == 6


def test_what_is_declared_stays_as_it_is(tmp_path: Path) -> None:
    write_export(tmp_path / "export", people=60)
    make_key(tmp_path / "site.key", around=2031)
    mapping, out = tmp_path / "export" / "mapping.yaml", tmp_path / "out"
    made = deidentify([tmp_path / "export"], mapping, tmp_path / "site.key", out)
    assert all(one.undeclared == () for one in made.files)
    assert find_leaks([REMOVED], out) == []


def test_a_dropped_column_by_the_name_of_somebody_is_told_by_its_place(tmp_path: Path) -> None:
    """As where the first line of a file is no header."""
    write_export(tmp_path / "export", people=5)
    file = tmp_path / "export" / "mri.csv"
    header, *lines = file.read_text(encoding="utf-8").splitlines()
    named = [f"{header},remark,555-010-4471", *(f"{line},x,y" for line in lines)]
    file.write_text("\n".join(named) + "\n", encoding="utf-8")
    make_key(tmp_path / "site.key", around=2031)
    made = deidentify(
        [tmp_path / "export"], tmp_path / "export" / "mapping.yaml", tmp_path / "site.key", tmp_path / "o"
    )
    (readings,) = [one for one in made.files if one.source == "readings"]
    assert readings.dropped == ("remark", f"column {len(header.split(',')) + 2}")


def test_a_cell_in_parts_is_declared_where_all_of_its_parts_are(spoiled: Path, tmp_path: Path) -> None:
    mapping = spoiled / "mapping.yaml"
    whole = 'result: {column: Lachman, codes: {+: positive, "-": negative}}'
    parts = 'result: {column: Lachman, parts: {+: positive, "-": negative}}'
    text = mapping.read_text(encoding="utf-8")
    assert whole in text
    parts += "\n      end_point: {column: Lachman, parts: {firm: firm, soft: soft}}"
    mapping.write_text(text.replace(whole, parts), encoding="utf-8")
    made = deidentify([spoiled], mapping, tmp_path / "site.key", tmp_path / "out")
    assert find_leaks(("Marrowgate", "Stookwell"), tmp_path / "out") == []
    (visits,) = [one for one in made.files if one.source == "visits"]
    assert (2, 5) in {cells.lines for cells in visits.undeclared}


def test_a_cell_that_may_be_unreadable_is_replaced_and_patterns_with_wildcards_are_refused(
    spoiled: Path, tmp_path: Path
) -> None:
    mapping = spoiled / "mapping.yaml"
    text = mapping.read_text()
    mapping.write_text(text.replace("codes: {F: female, M: male}", "codes: {F: female, M: male}, unreadable: blank"))
    deidentify([spoiled], mapping, tmp_path / "site.key", tmp_path / "out")
    assert find_leaks(("Tamsin",), tmp_path / "out") == []
    mapping.write_text(
        text.replace("codes: {torn: present, intact: absent}", "matches: {'t.*n': present, intact: absent}")
    )
    with pytest.raises(FileFault, match="is read by patterns with wildcards"):
        deidentify([spoiled], mapping, tmp_path / "site.key", tmp_path / "again")
    assert not (tmp_path / "again").exists()


REPORTS = """\
title: readings in whole reports
sources: {readings: {files: "mri.csv"}}
tables:
  references:
    split: {column: Report}
    columns:
      reference_id: Scan
      participant_id: Patient
      side: {value: right}
      modality: {value: mri}
      reference_day: Date
      condition: {matches: {"^fat pad": ~, '^acl\\b': acl_tear, "^mm|^medial meniscus": medial_meniscus_tear}}
      status: {matches: {"no tear|intact": absent, "torn|tear": present}}
deidentify: {participant: [Patient], codes: {Scan: reference}, dates: [Date]}
"""


def test_of_whole_reports_only_the_words_of_the_patterns_go_on(tmp_path: Path) -> None:
    (tmp_path / "m.yaml").write_text(REPORTS, encoding="utf-8")
    cells = (
        "ACL: torn, told Jo Marrowgate; MM: no tear, see MRN 0012345; Fat pad: swollen",
        "ACL intact; Medial meniscus: tear seen on 14.03.2031",
        "Ottoline Stookwell; ACL intact",
        "MM: large, says Dr. Quill",
    )
    rows = [
        {"Patient": f"{n}", "Scan": f"{n}", "Date": "2031-03-14", "Report": cell}
        for n, cell in enumerate(cells, start=1)
    ]
    (tmp_path / "in").mkdir()
    write_csv(tmp_path / "in" / "mri.csv", rows)
    make_key(tmp_path / "site.key", around=2031)
    made = deidentify([tmp_path / "in"], tmp_path / "m.yaml", tmp_path / "site.key", tmp_path / "out")
    text = (tmp_path / "out" / "readings.1.csv").read_text(encoding="utf-8")
    assert [line.rsplit(",", 1)[1] for line in text.splitlines()[1:]] == [
        "acl torn; mm no tear",
        "acl intact; medial meniscus tear",
        "(removed); acl intact",
        "(removed)",
    ]
    assert [cells.lines for cells in made.files[0].undeclared] == [(4, 5)]
    report = check([tmp_path / "out"], mapping=tmp_path / "out" / "mapping.yaml")
    counts = {one.table: (one.stored, one.held_back) for one in report.tables}
    assert counts["references"] == (5, 2)


@pytest.mark.parametrize(
    ("pattern", "is_plain"),
    [("torn", True), (r"^acl\b|\btear\b", True), (r"10\.5", True), ("t.n", False), ("a+", False), (r"\w", False)],
)
def test_a_pattern_of_words_can_let_nothing_else_pass(pattern: str, is_plain: bool) -> None:
    assert Patterned(None, (((pattern, "x"),),)).is_plain is is_plain


def test_a_piece_goes_on_where_only_an_optional_column_says_nothing_of_it() -> None:
    """What a required column passes over is left out; a severity that is a blank leaves condition and status."""
    condition, status = (("^mcl", "mcl_injury"), ("^fat pad", "")), (("sprain", "present"), ("normal", "absent"))
    severity, report = (("grade 2", "grade_2"), ("normal", "")), "MCL: grade 2 sprain; MCL normal, says Jo; fat pad big"
    one = Patterned(";", (condition, status, severity), needed=frozenset({0, 1}))
    assert one.reduced(report) == "mcl sprain grade 2; mcl normal"
    listed = Patterned(";", (condition, status, severity[:1]), frozenset({0, 1}), optional=frozenset({2}))
    assert listed.reduced(report) == "mcl sprain grade 2; mcl normal"
    assert Patterned(";", listed.entries, frozenset({0, 1})).reduced(report) == f"mcl sprain grade 2; {REMOVED}"


AGES = """\
title: people in one file, their visits in another
sources: {visits: {files: "visits.csv"}, people: {files: "a-people.csv"}}
deidentify:
  participant: [MRN]
  dates: [Seen]
  date_order: day_first
  age: {column: age, born: Born, at: Seen}
tables:
  participants: {from: people, columns: {participant_id: MRN, age_years: age}}
  exams:
    from: visits
    columns: {exam_id: {join: [MRN, Seen]}, participant_id: MRN, side: {value: left}, exam_day: Seen}
"""


def test_an_age_is_that_at_the_first_visit_of_any_file(tmp_path: Path) -> None:
    """00041 and 41 are one person; who was never seen has no age."""
    (tmp_path / "raw").mkdir()
    born = {"41": "14.03.1999", "42": "01.01.2000", "43": "15.03.1999"}
    seen = [("00041", "20.06.2031"), ("00041", "14.03.2031"), ("43", "14.03.2031")]
    write_csv(tmp_path / "raw" / "a-people.csv", [{"MRN": number, "Born": date} for number, date in born.items()])
    write_csv(tmp_path / "raw" / "visits.csv", [{"MRN": number, "Seen": date} for number, date in seen])
    (tmp_path / "ages.yaml").write_text(
        AGES.replace("exam_day: Seen}", "exam_day: Seen, period: Seen, examiner_id: MRN}")
    )
    make_key(tmp_path / "site.key", around=2031)
    deidentify([tmp_path / "raw"], tmp_path / "ages.yaml", tmp_path / "site.key", tmp_path / "out")
    with (tmp_path / "out" / "people.1.csv").open(newline="", encoding="utf-8") as stream:
        assert [row["age"] for row in csv.DictReader(stream)] == ["32", "", "31"]

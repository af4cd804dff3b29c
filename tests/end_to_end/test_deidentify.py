"""An export with record numbers, names and dates, de-identified and ingested: nothing of a person comes through."""

from __future__ import annotations

import datetime
import json
import statistics
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from clinic_export import MAPPING, Row, write_export
from leaks import find_leaks

from examtally.cli.app import main
from examtally.deidentification import Deidentified, deidentify, make_key
from examtally.errors import FileFault, MappingError
from examtally.ingestion import ingest

IDENTIFYING = ("Name", "MRN", "Encounter", "Born", "Visit date", "Hurt on", "Seen by", "Clinic", "Notes")


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("steward") / "key"
    make_key(path, around=2031)
    return path


@pytest.fixture(scope="module")
def made(key: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Deidentified, list[Row], list[Row]]:
    folder = tmp_path_factory.mktemp("deidentified")
    visits, readings = write_export(folder / "in", people=300)
    report = deidentify([folder / "in"], folder / "in" / "mapping.yaml", key, folder / "out")
    return folder, report, visits, readings


def _read(folder: Path, name: str) -> pl.DataFrame:
    return pl.read_csv(folder / "out" / f"{name}.1.csv", infer_schema=False)


def _date(text: str) -> datetime.date:
    return datetime.datetime.strptime(text[:10], "%d.%m.%Y").date()


def test_nothing_of_a_person_is_in_what_was_written(
    made: tuple[Path, Deidentified, list[Row], list[Row]], key: Path
) -> None:
    folder, report, visits, readings = made
    needles = {row[column] for row in visits for column in IDENTIFYING}
    needles |= {row[column] for row in readings for column in ("Patient ID", "Accession", "Scan date", "Read by")}
    secret = json.loads(key.read_text())["secret"]
    assert find_leaks([*needles, secret], folder / "out", report.to_json()) == []
    assert {file.source: file.dropped for file in report.files} == {
        "visits": ("Name", "Born", "Hurt on", "Notes"),
        "readings": (),
    }


def test_intervals_are_exact_and_periods_and_ages_right(
    made: tuple[Path, Deidentified, list[Row], list[Row]],
) -> None:
    folder, _, visits, readings = made
    written, scans = _read(folder, "visits"), _read(folder, "readings")
    clocks: dict[str, set[int]] = {}
    first: dict[str, datetime.date] = {}
    for row, code, day in zip(visits, written["MRN"], written["Visit date"], strict=True):
        clocks.setdefault(code, set()).add(_date(row["Visit date"]).toordinal() - int(day))
        first.setdefault(code, _date(row["Visit date"]))
    for row, code, day in zip(readings, scans["Patient ID"], scans["Scan date"], strict=True):
        clocks[code].add(_date(row["Scan date"]).toordinal() - int(day))
    assert len(clocks) == 300
    assert all(len(origins) == 1 for origins in clocks.values())  # one clock a person, in both files
    assert len({*map(tuple, clocks.values())}) > 280  # and not one for all
    for row, code, month, age, onset in zip(visits, *written[["MRN", "month", "age", "onset"]], strict=True):
        seen, born = _date(row["Visit date"]), _date(row["Born"])
        assert month == f"{seen:%Y-%m}"
        assert int(onset) == (seen - _date(row["Hurt on"])).days
        years = first[code].year - born.year - ((first[code].month, first[code].day) < (born.month, born.day))
        assert int(age) == min(years, 90)
    assert "90" in set(written["age"])


def test_a_reader_and_an_examiner_of_one_name_are_one_person(
    made: tuple[Path, Deidentified, list[Row], list[Row]],
) -> None:
    folder, _, visits, readings = made
    seen = dict(zip((row["Seen by"] for row in visits), _read(folder, "visits")["Seen by"], strict=True))
    read = dict(zip((row["Read by"] for row in readings), _read(folder, "readings")["Read by"], strict=True))
    assert seen == read


def test_the_written_files_go_in_with_the_written_mapping(
    made: tuple[Path, Deidentified, list[Row], list[Row]], tmp_path: Path
) -> None:
    folder, _, visits, readings = made
    report = ingest([folder / "out"], tmp_path / "registry.duckdb", mapping=folder / "out" / "mapping.yaml")
    assert report.is_clean
    stored = {one.table: one.stored for one in report.tables}
    assert stored == {
        "examiners": 3,
        "participants": 300,
        "exams": len(visits),
        "findings": len(visits),
        "references": len(readings),
    }


def test_a_later_batch_has_the_same_codes_and_clocks(
    made: tuple[Path, Deidentified, list[Row], list[Row]], key: Path, tmp_path: Path
) -> None:
    folder = made[0]
    write_export(tmp_path / "in", people=300)
    deidentify([tmp_path / "in"], tmp_path / "in" / "mapping.yaml", key, tmp_path / "out")
    assert (tmp_path / "out" / "visits.1.csv").read_bytes() == (folder / "out" / "visits.1.csv").read_bytes()
    make_key(tmp_path / "other", around=2031)
    deidentify([tmp_path / "in"], tmp_path / "in" / "mapping.yaml", tmp_path / "other", tmp_path / "elsewhere")
    others = set(pl.read_csv(tmp_path / "elsewhere" / "visits.1.csv")["MRN"])
    assert not others & set(_read(folder, "visits")["MRN"])  # one person at two sites is two participants


def test_residual_risk_is_what_counting_by_hand_gives(made: tuple[Path, Deidentified, list[Row], list[Row]]) -> None:
    folder, report, visits, _ = made
    written = _read(folder, "visits")
    risks = {risk.about: risk for risk in report.risks}
    people = written.group_by("MRN").agg(pl.col("age").first(), pl.col("Sex").first())
    sizes = people.group_by("age", "Sex").len()["len"].to_list()
    age_sex = risks["age + sex"]
    assert (age_sex.smallest, age_sex.median) == (min(sizes), statistics.median(sizes))
    assert age_sex.people == sum(size for size in sizes if size < 5)
    assert age_sex.alone == sizes.count(1)
    assert "age + sex + bmi" not in risks  # nothing is known of it here

    windows: dict[str, tuple[int, int]] = {}
    for row, code in zip(visits, written["MRN"], strict=True):
        day = _date(row["Visit date"])
        begin = day.replace(day=1)
        end = (begin + datetime.timedelta(31)).replace(day=1)
        low, high = windows.get(code, (-999, 999))
        windows[code] = (max(low, (begin - day).days), min(high, (end - day).days - 1))
    spans = [high - low + 1 for low, high in windows.values()]
    pinned = risks["period and intervals together"]
    assert (pinned.smallest, pinned.median) == (min(spans), statistics.median(spans))
    public = risks["sideline, competitive sport, month, site"]
    assert public.alone > 0
    assert any("ordinal" in mend for mend in public.coarsen)


def test_ordinal_periods_hide_the_month_and_keep_its_place(key: Path, tmp_path: Path) -> None:
    visits, _ = write_export(tmp_path / "in", people=80)
    mapping = tmp_path / "in" / "mapping.yaml"
    mapping.write_text(MAPPING.replace("as: month", "as: ordinal"))
    deidentify([tmp_path / "in"], mapping, key, tmp_path / "out")
    ordinals = [int(period[1:]) for period in _read(tmp_path, "visits")["month"]]
    months = [12 * day.year + day.month for day in (_date(row["Visit date"]) for row in visits)]
    assert len({month - ordinal for month, ordinal in zip(months, ordinals, strict=True)}) == 1
    assert min(ordinals) > 200


def _spoil(folder: Path, column: str, text: str) -> None:
    path = folder / "visits.csv"
    lines = path.read_text(encoding="latin-1").splitlines()
    place = lines[0].split(";").index(column)
    cells = lines[3].split(";")
    cells[place] = text
    lines[3] = ";".join(cells)
    path.write_text("\n".join(lines) + "\n", encoding="latin-1")


@pytest.mark.parametrize(
    ("column", "text", "said"),
    [
        ("Visit date", "14.03.31", "no date of the form day_first"),
        ("Visit date", "whenever", r"first: line 4\)"),
        ("Born", "01.01.1899", "whose age is no age"),
        ("Place", "14.03.2031", "look like date"),
        ("Place", "call 555-010-4471", r"look like phone \(first: line 4\)"),
        ("Lachman", "p.stookwell@mail.invalid", "look like email"),
        ("Knee", "Dr. Marrowgate", "look like name"),
        ("Visit date", "14.03.1899", "a lifetime away|no age"),
    ],
)
def test_what_may_not_pass_is_told_by_place_and_nothing_is_written(
    column: str, text: str, said: str, key: Path, tmp_path: Path
) -> None:
    write_export(tmp_path / "in")
    _spoil(tmp_path / "in", column, text)
    with pytest.raises(FileFault, match=said) as caught:
        deidentify([tmp_path / "in"], tmp_path / "in" / "mapping.yaml", key, tmp_path / "out")
    assert text not in str(caught.value)
    assert {path.name for path in tmp_path.iterdir()} == {"in"}


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("Encounter: exam, ", "", "is read for exams.exam_id and is not declared"),
        ("dates: [Visit date, Scan date]", "dates: [Visit date]", "look like date"),
        ("age_years: age,", "age_years: Born,", "reads the date of birth"),
        ("participant: [MRN, Patient ID]", "participant: [MRN]", "not declared"),
        ("around: x", "", None),
    ],
)
def test_a_column_that_nobody_declared_does_not_pass(
    before: str, after: str, said: str | None, key: Path, tmp_path: Path
) -> None:
    write_export(tmp_path / "in")
    mapping = tmp_path / "in" / "mapping.yaml"
    mapping.write_text(MAPPING.replace(before, after))
    if said is None:
        assert deidentify([tmp_path / "in"], mapping, key, tmp_path / "out").files
        return
    with pytest.raises(FileFault, match=said):
        deidentify([tmp_path / "in"], mapping, key, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_mapping_without_the_section_is_refused(key: Path, tmp_path: Path) -> None:
    write_export(tmp_path / "in")
    mapping = tmp_path / "in" / "mapping.yaml"
    mapping.write_text(MAPPING[: MAPPING.index("deidentify:")])
    with pytest.raises(MappingError, match="has no section `deidentify`"):
        deidentify([tmp_path / "in"], mapping, key, tmp_path / "out")


def test_a_key_for_other_years_is_told_before_anything_is_written(tmp_path: Path) -> None:
    write_export(tmp_path / "in", people=100)
    make_key(tmp_path / "key", around=1990)
    with pytest.raises(FileFault, match="--around"):
        deidentify([tmp_path / "in"], tmp_path / "in" / "mapping.yaml", tmp_path / "key", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_the_commands(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    visits, _ = write_export(tmp_path / "in")
    key, out = str(tmp_path / "key"), tmp_path / "out"
    assert main(["key", "make", key, "--around", "2031"]) == 0
    arguments = ["deidentify", str(tmp_path / "in"), "--mapping", str(tmp_path / "in" / "mapping.yaml"), "--key", key]
    assert main([*arguments, "--out", str(out)]) == 0
    said = capfd.readouterr()
    assert "dropped columns: Name, Born, Hurt on, Notes" in said.out
    assert "period and intervals together" in said.out
    needles = [row[column] for row in visits for column in IDENTIFYING]
    secret: dict[str, Any] = json.loads((tmp_path / "key").read_text())
    assert find_leaks([*needles, secret["secret"]], said.out, said.err) == []
    assert main([*arguments, "--out", str(out)]) == 3  # never written over
    assert main([*arguments, "--out", str(tmp_path / "more"), "--json"]) == 0
    assert json.loads(capfd.readouterr().out)["files"][0]["source"] == "readings"
    assert main(["check", str(out), "--mapping", str(out / "mapping.yaml")]) == 0

"""`synthesize` writes what the contract declares, the same bytes for the same seed, whole or not at all."""

from __future__ import annotations

import filecmp
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import duckdb
import polars as pl
import pytest

import examtally as et
from examtally.contracts.contract import load_contract
from examtally.contracts.records.rules import key_rule, reference_rules, rules_for
from examtally.errors import ContractError, FileFault
from examtally.synthesis import SynthesisReport, clinic, synthesize, writing

synthesize_module = sys.modules[synthesize.__module__]
SMALL = Path("small")
CONTRACT = load_contract()


@pytest.fixture(scope="module")
def quick(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A scenario of few exams, and few people behind its parameters."""
    place = tmp_path_factory.mktemp("scenario") / "quick.yaml"
    place.write_text("based_on: clinic\nseed: 408\nexams: 150\nreference_people: 300\n", encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def small(quick: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """That clinic at its own seed, which no test changes."""
    return synthesize(tmp_path_factory.mktemp("small") / "clinic", scenario=quick).out


def _bytes(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def _texts(folder: Path) -> dict[str, pl.DataFrame]:
    return {path.stem: pl.read_csv(path, infer_schema=False) for path in sorted(folder.glob("*.csv"))}


def _broken(records: dict[str, pl.DataFrame]) -> list[str]:
    """The rules of the contract that some line breaks: row by row, key by key, reference by reference."""
    broken = []
    with duckdb.connect() as con:
        for name, frame in records.items():
            con.register(name, frame.to_arrow())
            broken += [
                rule.id
                for rule in rules_for(CONTRACT, name)
                if con.execute(f'select count(*) from "{name}" where not ({rule.sql})').fetchall() != [(0,)]
            ]
            if frame.select(key_rule(CONTRACT, name).columns).is_duplicated().any():
                broken.append(key_rule(CONTRACT, name).id)
            for rule in reference_rules(CONTRACT, name):
                known = records[rule.target].select(CONTRACT.tables[rule.target].primary_key)
                own = frame.select(rule.columns).rename(dict(zip(rule.columns, known.columns, strict=True)))
                if len(own.join(known, on=known.columns, how="anti")):
                    broken.append(rule.id)
    return broken


def test_every_record_satisfies_the_contract(written: SynthesisReport) -> None:
    records = _texts(written.out / "records")
    assert {name: tuple(frame.columns) for name, frame in records.items()} == {
        name: table.names for name, table in CONTRACT.tables.items()
    }
    assert {name: len(frame) for name, frame in records.items()} == dict(written.records)
    assert _broken(records) == []


def test_the_check_of_the_contract_sees_a_broken_line(written: SynthesisReport) -> None:
    records = _texts(written.out / "records")
    spoiled = records["findings"].with_columns(pl.lit("perhaps").alias("result"))
    fewer = records["participants"].filter(pl.col("participant_id") != records["references"]["participant_id"][0])
    assert sorted(_broken(records | {"findings": spoiled, "participants": fewer})) == [
        "exams.participant_id.reference",
        "findings.result.enum",
        "references.participant_id.reference",
    ]


def test_the_clinic_has_about_as_many_exams_as_asked_for(written: SynthesisReport) -> None:
    assert 2850 <= written.records["exams"] <= 3150


def test_the_same_seed_gives_the_same_bytes_in_place_of_another_clinic(
    small: Path, quick: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    synthesize(out, scenario=quick, seed=4)
    differing = filecmp.dircmp(small / "records", out / "records").diff_files
    assert set(differing) >= {"exams.csv", "findings.csv", "participants.csv", "references.csv"}
    synthesize(out, scenario=quick)
    assert _bytes(small) == _bytes(out)


def test_large_clinics_are_drawn_in_parts_that_fit_together(
    quick: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clinic, "LARGEST_PART", 150)
    report = synthesize(tmp_path / "out", scenario=quick, exams=600)
    records = _texts(tmp_path / "out" / "records")
    assert 480 <= report.records["exams"] <= 720
    assert _broken(records) == []


@pytest.mark.parametrize("exams", [1, 3])
def test_the_smallest_clinics_can_be_drawn(quick: Path, tmp_path: Path, exams: int) -> None:
    report = synthesize(tmp_path, scenario=quick, exams=exams)
    assert 1 <= report.records["exams"] <= 10
    records = {name: frame for name, frame in _texts(tmp_path / "records").items() if len(frame)}
    assert _broken(records) == []


def test_nothing_is_left_of_a_clinic_that_failed_midway(
    small: Path, quick: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise OSError("no space left")

    out = Path(shutil.copytree(small, tmp_path / "out"))
    before = _bytes(out)
    monkeypatch.setattr(synthesize_module, "write_json", fail)
    with pytest.raises(OSError, match="no space left"):
        synthesize(out, scenario=quick, seed=4)
    assert _bytes(out) == before
    with pytest.raises(OSError, match="no space left"):
        synthesize(tmp_path / "new", scenario=quick)
    assert list((tmp_path / "new").iterdir()) == []


def test_other_peoples_folders_are_left_alone(tmp_path: Path) -> None:
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "aunt.txt").write_text("dear aunt", encoding="utf-8")
    with pytest.raises(FileFault, match="name a new or an empty one"):
        synthesize(tmp_path / "letters", scenario=SMALL)
    with pytest.raises(FileFault, match="name a folder"):
        synthesize(tmp_path / "letters" / "aunt.txt", scenario=SMALL)
    with pytest.raises(ContractError, match="there is no such file"):
        synthesize(tmp_path / "out", scenario=tmp_path / "missing.yaml")
    assert not (tmp_path / "out").exists()


def test_months_and_a_young_registry_satisfy_the_contract_too(tmp_path: Path, based: Callable[..., Path]) -> None:
    months = based("exams: 150\nreference_people: 300\nperiods: {kind: month, count: 18, first: 2031-11}")
    synthesize(tmp_path / "months", scenario=months)
    records = _texts(tmp_path / "months" / "records")
    assert _broken(records) == []
    assert records["exams"]["period"].str.contains(r"^203[123]-\d\d$").all()
    synthesize(tmp_path / "young", scenario=Path("young"))
    records = _texts(tmp_path / "young" / "records")
    assert _broken(records) == []
    assert set(records["exams"]["period"]) == {"P001", "P002", "P003"}


def test_the_whole_line_takes_the_clinic(written: SynthesisReport, tmp_path: Path) -> None:
    report = et.ingest([written.out / "records"], tmp_path / "registry.duckdb")
    assert {count.table: count.stored for count in report.tables} == dict(written.records)


def test_a_clinic_many_times_over_is_the_same_people_under_new_codes(small: Path, quick: Path, tmp_path: Path) -> None:
    made = synthesize(tmp_path / "three", scenario=quick, scale=3)
    once, thrice = _texts(small / "records"), _texts(made.out / "records")
    assert _broken(thrice) == []
    assert dict(made.records) == {name: frame.height for name, frame in thrice.items()}
    for name, frame in thrice.items():
        kept = frame.with_columns(
            _numbered(code, (pl.col(code).str.extract("([0-9]+)$").cast(pl.Int64) - 1) % _last(once, code) + 1)
            for code in ("participant_id", "exam_id", "reference_id")
            if code in frame.columns
        )
        assert kept.height == once[name].height * (1 if name == "examiners" else 3)
        assert kept.unique().sort(pl.all()).equals(once[name].unique().sort(pl.all())), name
    assert thrice["exams"].join(thrice["findings"], on="exam_id").height == thrice["findings"].height
    assert (made.out / "truth.json").read_bytes() == (small / "truth.json").read_bytes()


def _numbered(code: str, number: pl.Expr) -> pl.Expr:
    return pl.col(code).str.replace("[0-9]+$", "") + number.cast(pl.String).str.zfill(7)


def _last(records: dict[str, pl.DataFrame], code: str) -> int:
    """The largest number of a code in any table."""
    numbers = [frame[code].str.extract("([0-9]+)$").cast(pl.Int64) for frame in records.values() if code in frame]
    return int(max(number.max() for number in numbers))  # type: ignore[type-var, arg-type]


def test_every_line_of_many_copies_is_stored(quick: Path, tmp_path: Path) -> None:
    made = synthesize(tmp_path / "many", scenario=quick, scale=25)
    report = et.ingest([made.out / "records"], tmp_path / "registry.duckdb")
    assert {count.table: count.stored for count in report.tables} == dict(made.records)


def test_more_copies_than_codes_have_digits_for_are_refused(quick: Path, tmp_path: Path) -> None:
    with pytest.raises(FileFault, match="more than 7 digits"):
        synthesize(tmp_path / "many", scenario=quick, scale=100_000)
    assert not list((tmp_path / "many").glob("*"))


def test_copies_past_what_a_file_may_hold_go_on_in_further_files(
    quick: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = _texts(synthesize(tmp_path / "whole", scenario=quick, scale=3).out / "records")
    monkeypatch.setattr(writing, "_ROWS_A_FILE", 2 * max(frame.height for frame in whole.values()) // 3)
    parts = _texts(synthesize(tmp_path / "parts", scenario=quick, scale=3).out / "records")
    assert {name for name in parts if "-" in name} == {f"{name}-2" for name in whole if name != "examiners"}
    for name, frame in whole.items():
        rest = [parts[f"{name}-2"]] if name != "examiners" else []
        assert pl.concat([parts[name], *rest]).sort(pl.all()).equals(frame.sort(pl.all())), name
    assert parts["findings-2"].join(parts["exams-2"], on="exam_id").height == parts["findings-2"].height

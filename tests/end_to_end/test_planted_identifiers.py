"""Identifiers of all kinds over all columns: none reaches registry, results, a log or a screen."""

from __future__ import annotations

import calendar
import csv
import logging
from itertools import cycle, islice
from pathlib import Path

import pytest
from leaks import find_leaks

from examtally.cli.app import main
from examtally.contracts.contract import load_contract
from examtally.registry import open_registry
from examtally.resources import resource
from examtally.synthesis import synthesize

pytestmark = pytest.mark.usefixtures("both_engines")

CONTRACT = load_contract()
FEW, MANY = 80, 400
# every kind, with a number of its own in each so that it is found wherever it goes; all are invented
KINDS = (
    "Ottoline Marrowgate{n:03d}",
    "STOOKWELL, PEREGRINE {n:03d}",
    "ANNE-{n:03d}-MARY-LEE",
    "JOHN-{n:04d}",
    "KIM{n:04d}",
    "H-7-ROSS{n:04d}-2",
    "ferrowby.{n}@mail.invalid",
    "https://mail.invalid/p?id={n:06d}",
    "+1 555 010 {n:04d}",
    "T555-010-{n:04d}",
    "555-66-{n:04d}",
    "S555-66-{n:04d}-1",
    "{n:03d} Ferrowby Hill Road",
    "QZ {n:05d}-4471",
    "{year}{m:02d}{d:02d}",
    "{d:02d}{m:02d}{year}",
    "{year}-{m:02d}-{d:02d}",
    "{d:02d}.{m:02d}.{year} 07:{d:02d}",
    "X-{d:02d}-MAR-{year}-{n:03d}",
    "MRN{n:07d}",
    "X-MRN-{n:07d}",
    "9{n:07d}",
    "CSN{n:08d}",
    "AB{n:06d}C",
    "QQ-{n:06d}",
    "T555010{n:04d}",
    "{mon}-20{d:02d}-{n}",
    "{mon}-2{n:03d}",
    "{two}-19{y:02d}",
    "{two}20{y:02d}{m:02d}",
    "SN-{n:05d}-A",
    "{three}-{n:04d}",
    "{two}{y:02d}-{three}{d}",
    "R{n:07d}",
    "{two}{n:06d}",
    "POL-{n:06d}",
    "came in {n:03d} limping after the derby, says it gave way on the stairs",
)
_LETTERS = "BCDFGHJKLMNPQRSTVWZ"
_NUMBERS = ("{year}{m:02d}{d:02d}", "{d:02d}{m:02d}{year}", "9{n:07d}")


def _identifiers(in_all: int) -> list[tuple[str, str, str]]:
    """Table, column and identifier; columns in turn, kinds in turn, so that they meet in many pairs."""
    places = [(name, field.name) for name, table in CONTRACT.tables.items() for field in table.fields]
    planted = []
    for number, ((table, column), kind) in enumerate(islice(zip(cycle(places), cycle(KINDS)), in_all)):
        field = CONTRACT.tables[table].field(column)
        is_open_number = field.type != "string" and field.maximum is None
        form = _NUMBERS[number % len(_NUMBERS)] if is_open_number else kind
        month, letters = 1 + number % 12, "".join(_LETTERS[number // step % len(_LETTERS)] for step in (1, 7, 31))
        text = form.format(
            n=number + 4400,
            m=month,
            d=13 + number // 12 % 16,
            y=number % 100,
            year=2031 + number // 192,  # after all days of all months
            mon=calendar.month_abbr[month].upper(),
            two=letters[:2],
            three=letters,
        )
        planted.append((table, column, text))
    return planted


def _plant(records: Path, folder: Path, planted: list[tuple[str, str, str]]) -> None:
    """Spoil one cell of a line of its own for each identifier; the files carry a number in their names."""
    folder.mkdir()
    for name in CONTRACT.tables:
        (path,) = records.glob(f"{name}.*")
        with path.open(newline="", encoding="utf-8") as stream:
            reader = csv.DictReader(stream)
            columns, rows = list(reader.fieldnames or ()), list(reader)
        own = [(column, text) for table, column, text in planted if table == name]
        columns += [column for column, _ in own if column not in columns]
        columns = list(dict.fromkeys(columns))
        for number, (column, text) in enumerate(own):
            fresh = {CONTRACT.tables[name].primary_key[0]: f"Z9-{number}"}
            rows.append({**rows[number % len(rows)], **fresh, column: text})
        with (folder / f"{name}-88123456.csv").open("w", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, columns, restval="")
            writer.writeheader()
            writer.writerows(rows)


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("synthetic") / "out"
    synthesize(out, scenario=resource("synthetic") / "scenarios" / "small.yaml")
    return out / "records"


@pytest.mark.parametrize("count", [FEW, pytest.param(MANY, marks=pytest.mark.study)])
def test_none_of_many_identifiers_gets_anywhere(
    count: int, records: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    planted = _identifiers(count)
    needles = {text for _, _, text in planted} | {"88123456"}
    assert len(planted) == count
    assert len({text for _, _, text in planted}) == count
    assert len({(table, column) for table, column, _ in planted}) == sum(
        len(table.names) for table in CONTRACT.tables.values()
    )
    _plant(records, tmp_path / "export", planted)
    assert len({needle for needle, _ in find_leaks(needles, tmp_path / "export")}) == count + 1

    kept = tmp_path / "kept"
    kept.mkdir()
    with caplog.at_level(logging.DEBUG):
        arguments = [str(tmp_path / "export"), "--registry", str(kept / "registry.duckdb")]
        assert main(["check", str(tmp_path / "export")]) == 0
        assert main(["ingest", *arguments, "--second-engine"]) == 0
        assert main(["ingest", *arguments, "--json"]) == 0
        assert (
            main(["analyze", "--registry", arguments[2], "--out", str(kept / "results"), "--only", "flow,batches"]) == 0
        )
    with open_registry(kept / "registry.duckdb") as opened:
        lines = opened.con.execute(
            'select count(*) from (select distinct "table", line from reg.held_back where batch_no = 1)'
        )
        assert lines.fetchall() == [(count,)]
    said = capfd.readouterr()
    assert find_leaks(needles, kept, said.out, said.err, caplog.text) == []


def test_clean_data_raise_no_alarm(records: Path, tmp_path: Path) -> None:
    registry = tmp_path / "registry.duckdb"
    assert main(["ingest", str(records), "--registry", str(registry)]) == 0
    with open_registry(registry) as opened:
        assert opened.con.execute("select count(*) from reg.held_back").fetchall() == [(0,)]

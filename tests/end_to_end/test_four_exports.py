"""Thirty-two identifiers in four exports: none in de-identified files, registry, results, reports, logs or terminal."""

from __future__ import annotations

import csv
import logging
import re
from itertools import cycle, islice
from pathlib import Path

import pytest
from clinic_export import write_export
from leaks import find_leaks

from examtally.cli.app import main

EXPORTS, EACH, PEOPLE = 4, 8, 150
PLACES = (
    *(("visits", column) for column in ("Name", "MRN", "Encounter", "Born", "Sex", "Visit date", "Hurt on", "Seen by")),
    *(("visits", column) for column in ("Clinic", "Place", "Knee", "Lachman", "Notes")),
    *(("mri", column) for column in ("Patient ID", "Accession", "Scan date", "Knee", "ACL", "Read by")),
)
KINDS = (
    "Ottoline Marrowgate{n}",
    "STOOKWELL, PEREGRINE {n}",
    "ferrowby.{n}@mail.invalid",
    "+1 555 010 {n}",
    "555-66-{n}",
    "CSN0009{n}",
    "QQ-14{n}",
    "{n} Ferrowby Hill Road",
    "https://mail.invalid/p?id={n}",
    "right of Tamsin{n}",
    "MRN-000{n}",
    "seen on 14.03.2031 by {n}",
    "KIM{n}",
)
FORMS = {"visits": (";", "latin-1"), "mri": (",", "utf-8")}


def _rows(path: Path) -> list[list[str]]:
    delimiter, encoding = FORMS[path.stem]
    with path.open(newline="", encoding=encoding) as stream:
        return list(csv.reader(stream, delimiter=delimiter))


def _write(path: Path, rows: list[list[str]]) -> None:
    delimiter, encoding = FORMS[path.stem]
    with path.open("w", newline="", encoding=encoding) as stream:
        csv.writer(stream, delimiter=delimiter).writerows(rows)


class Export:
    """An export with identifiers in cells of lines of their own, each of which can be mended."""

    def __init__(self, folder: Path, number: int) -> None:
        self.folder = folder
        write_export(folder, people=PEOPLE, first=PEOPLE * number, seed=number)
        self.before: dict[tuple[str, int], tuple[int, str]] = {}
        self.planted: list[str] = []
        at = range(EACH * number, EACH * (number + 1))
        for place, kind, each in zip(
            islice(cycle(PLACES), at[0], None), islice(cycle(KINDS), at[0], None), at, strict=False
        ):
            self._plant(*place, 3 + 5 * (each % EACH), kind.format(n=4471 + 10 * each))

    def _plant(self, name: str, column: str, line: int, text: str) -> None:
        path = self.folder / f"{name}.csv"
        rows = _rows(path)
        cell = rows[0].index(column)
        self.before[name, line] = (cell, rows[line - 1][cell])
        rows[line - 1][cell] = text
        self.planted.append(text)
        _write(path, rows)

    def mend(self, line: int) -> None:
        """What the person at the keys does with a line that stopped the run: the cell is set right."""
        ((name, _),) = [place for place in self.before if place[1] == line]
        cell, text = self.before.pop((name, line))
        path = self.folder / f"{name}.csv"
        rows = _rows(path)
        rows[line - 1][cell] = text
        _write(path, rows)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # of a library, over fits of very few
@pytest.mark.study
def test_none_of_32_identifiers_in_four_exports_gets_anywhere(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    kept, said, stops = tmp_path / "kept", "", 0
    kept.mkdir()
    exports = [Export(tmp_path / f"export-{number}", number) for number in range(EXPORTS)]
    needles = {text for each in exports for text in each.planted}
    assert len(needles) == EXPORTS * EACH
    assert {needle for needle, _ in find_leaks(needles, *(each.folder for each in exports))} == needles
    key, registry = str(tmp_path / "site.key"), str(kept / "registry.duckdb")
    assert main(["key", "make", key, "--around", "2031"]) == 0
    with caplog.at_level(logging.DEBUG):
        for number, each in enumerate(exports):
            out = kept / f"out-{number}"
            mapping = str(each.folder / "mapping.yaml")
            words = ["deidentify", str(each.folder), "--mapping", mapping, "--key", key, "--out", str(out)]
            while main(words) != 0:
                told = capfd.readouterr()
                said += told.out + told.err
                stops += 1
                assert not out.exists()
                each.mend(int(re.findall(r"line (\d+)", told.err)[0]))
            assert main(["ingest", str(out), "--mapping", str(out / "mapping.yaml"), "--registry", registry]) == 0
        results = str(kept / "results")
        assert main(["analyze", "--registry", registry, "--out", results]) == 0
        for report in (("audit",), ("monthly", "--period", "2031-09")):
            assert main(["report", *report, "--results", results, "--out", str(kept / "pages")]) == 0
        assert main(["batches", "--registry", registry, "--log"]) == 0
    told = capfd.readouterr()
    assert find_leaks(needles, kept, said, told.out, told.err, caplog.text) == []
    with capfd.disabled():
        print(f"{len(needles)} identifiers in {EXPORTS} exports; {stops} times a cell had to be mended first; 0 found")

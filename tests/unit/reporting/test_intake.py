from __future__ import annotations

import re
from pathlib import Path

import pytest
from records import exam, finding, send

from examtally.cli.app import main

pytestmark = pytest.mark.usefixtures("both_engines")


@pytest.fixture(scope="module")
def registry(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("intake")
    path = folder / "registry.duckdb"
    send(
        folder,
        path,
        second_engine=True,
        exams=[exam("EX-1")],
        findings=[finding("EX-1"), finding("EX-1", "ober", "maybe")],
    )
    send(folder, path, second_engine=True, findings=[finding("EX-1", "pivot_shift", "negative")])
    return path


def test_a_page_a_batch_with_every_expectation_in_words_and_the_trend(
    registry: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", "intake", "--registry", str(registry), "--out", str(tmp_path)]) == 0
    assert [Path(line).name for line in capsys.readouterr().out.split()] == ["intake-1.html", "intake-2.html"]
    first, second = ((tmp_path / f"intake-{n}.html").read_text(encoding="utf-8") for n in (1, 2))
    assert "1 line held for correction, 0 in conflict" in first
    assert "mends them at the source and sends them again with the next batch" in first
    assert "finds lines against 1 of them" in first
    assert "Nothing has to be mended" in second
    assert "finds no line against any of them" in second
    seen = re.sub(r"data:[^\"]+", "", first)
    assert "a code of its list" in seen
    assert not re.search(r"not_done|exam_id|findings\.", seen.split("<body")[1]), "no codes on the page"
    assert "Batch 1" in second
    assert "50%" in second  # the share of the batch before
    assert "maybe" not in first
    assert re.findall(r'(?:src|href)="https?://', first) == []


def test_a_batch_that_is_not_there_is_told(registry: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "intake", "--registry", str(registry), "--out", str(tmp_path), "--batch", "9"]) == 8
    assert capsys.readouterr().err.strip().endswith("there is no batch 9; use one of 1, 2")

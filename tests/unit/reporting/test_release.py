"""The audit for release through the command line: files, page and log, and what must never be in them."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
import pytest

from examtally.cli.app import main
from examtally.disclosure import hiding, release
from examtally.disclosure.checker import leaks
from examtally.disclosure.folder import read_release


def make(results: Path, out: Path, *more: str) -> int:
    return main(["report", "audit", "--audience", "release", "--results", str(results), "--out", str(out), *more])


@pytest.fixture(scope="module")
def released(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("released")
    assert make(made / "clinic" / "results", out) == 0
    return out


def outgoing(out: Path) -> list[Path]:
    """Every file that may go out."""
    (folder,) = out.glob("release-*/")
    return [*folder.iterdir(), *out.glob("release-*.html")]


def test_it_leaves_a_folder_a_page_and_a_log_that_only_its_owner_reads(released: Path) -> None:
    (log,) = released.glob("disclosure-log-*.csv")
    assert log.stat().st_mode & 0o077 == 0
    assert pl.read_csv(log)["why"].n_unique() >= 2
    assert {"counts.csv", "accuracy.csv", "release.json"} <= {path.name for path in outgoing(released)}


def test_nobody_stands_in_a_released_file(released: Path, made: Path) -> None:
    personal = pl.read_parquet(made / "clinic" / "results" / "examiners" / "tallies.parquet")
    codes = personal.filter(pl.col("group_by") == "examiner")["group"].unique().to_list()
    assert codes
    for path in outgoing(released):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"\b(PT|P|S)-?\d{3,}\b", text.replace("P001", "")), path.name
        assert not any(re.search(rf"\b{re.escape(code)}\b", text) for code in codes), path.name


def test_no_count_of_one_to_ten_stands_in_a_released_table(released: Path) -> None:
    (folder,) = released.glob("release-*/")
    made = read_release(folder)
    for frame in (made.counts, *made.figures.values()):
        for column in frame.columns:
            if frame[column].dtype.is_integer():
                assert not frame[column].drop_nulls().is_between(1, 10).any(), column
    assert leaks(made) == []


def test_the_page_shows_no_count_the_files_hide(released: Path) -> None:
    (page,) = released.glob("release-*.html")
    text = re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8"))
    for part, whole in re.findall(r"(\d+) of (\d+)", text):
        assert int(part) == 0 or int(part) > 10
        assert int(whole) - int(part) == 0 or int(whole) - int(part) > 10


def test_a_second_time_gives_the_same_bytes(released: Path, made: Path) -> None:
    before = {path.name: path.read_bytes() for path in outgoing(released)}
    assert make(made / "clinic" / "results", released) == 0
    assert {path.name: path.read_bytes() for path in outgoing(released)} == before


def test_a_leak_fails_the_render_and_nothing_is_written(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(hiding, "_hide_complements", lambda *_: None)
    assert make(made / "clinic" / "results", tmp_path / "out") == release.DisclosureError.exit_code
    said = capsys.readouterr().err.strip().splitlines()[-1]
    assert "would give back" in said
    assert not (tmp_path / "out").exists() or list((tmp_path / "out").iterdir()) == []


@pytest.mark.parametrize("more", [("--approved-by", "medical director"), ("--because", "the paper"), ("--source", "x")])
def test_half_an_approval_is_refused(made: Path, tmp_path: Path, more: tuple[str, str]) -> None:
    assert make(made / "tiny" / "results", tmp_path / "out", *more) == 8


@pytest.mark.parametrize("size", ["tiny", "empty", "young"])
def test_a_small_registry_gives_an_honest_short_page(made: Path, tmp_path: Path, size: str) -> None:
    assert make(made / size / "results", tmp_path) == 0
    (page,) = tmp_path.glob("*.html")
    assert "Too few" in page.read_text(encoding="utf-8")

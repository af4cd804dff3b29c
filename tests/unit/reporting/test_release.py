"""The audit for release through the command line: files, page, log and ledger, and what must never be in them."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import polars as pl
import pytest
from ledger_kept import make_ledger

from examtally.cli.app import main
from examtally.contracts.catalogue.local import Kept, load_local
from examtally.contracts.contract import load_contract
from examtally.disclosure import selection
from examtally.disclosure.checker import leaks
from examtally.disclosure.folder import read_release
from examtally.disclosure.ledger import RELEASE, entered
from examtally.errors import DisclosureError, ReportError
from examtally.registry import open_registry
from examtally.registry.audit_log import Entry, entries
from examtally.registry.verifying import verify
from examtally.reporting.release import ReleasePage, lend_catalogue, open_release, variation
from examtally.resources import resource


def make(results: Path, out: Path, registry: Path, *more: str) -> int:
    at = ["--results", str(results), "--out", str(out), "--registry", str(registry)]
    return main(["report", "audit", "--audience", "release", *at, *more])


def log_of(registry: Path) -> tuple[Entry, ...]:
    with open_registry(registry) as opened:
        return entries(opened.con)


@pytest.fixture(scope="module")
def released(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a release of the clinic, and beside it the registry in whose ledger it stands."""
    root = tmp_path_factory.mktemp("released")
    registry = Path(shutil.copy(made / "kept" / "registry.duckdb", root))
    assert make(made / "clinic" / "results", root / "out", registry, "--operator", "OP-1") == 0
    return root / "out"


def outgoing(out: Path) -> list[Path]:
    """Every file that may go out."""
    (folder,) = out.glob("release-*/")
    return [*folder.iterdir(), *out.glob("release-*.html")]


def test_it_leaves_a_folder_a_page_and_a_log_that_only_its_owner_reads(released: Path) -> None:
    (log,) = released.glob("disclosure-log-*.csv")
    assert log.stat().st_mode & 0o077 == 0
    assert pl.read_csv(log)["why"].n_unique() >= 2
    assert {"counts.csv", "accuracy.csv", "release.json"} <= {path.name for path in outgoing(released)}


def test_it_stands_in_the_sealed_log_with_its_counts(released: Path) -> None:
    registry = released.parent / "registry.duckdb"
    (folder,) = released.glob("release-*/")
    last = log_of(registry)[-1]
    assert (last.action, last.operator) == (RELEASE, "OP-1")
    assert json.loads(last.details)["sum"] == read_release(folder).sum
    assert entered(log_of(registry))[-1].counts == read_release(folder).shown.counts
    assert verify(registry).faults == ()


def test_nobody_stands_in_a_released_file(released: Path, made: Path) -> None:
    personal = pl.read_parquet(made / "clinic" / "results" / "examiners" / "tallies.parquet")
    codes = personal.filter(pl.col("group_by") == "examiner")["group"].unique().to_list()
    assert codes
    for path in outgoing(released):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"\b(PT|P|S)-?\d{3,}\b", text.replace("P001", "")), path.name
        assert not any(re.search(rf"\b{re.escape(code)}\b", text) for code in codes), path.name


def test_the_spread_of_examiners_is_called_what_it_is() -> None:
    line = {"condition": "acl_tear", "maneuver": "lachman", "measure": "sensitivity", "between": "examiners"}
    line |= {"adjustment": "pooled_bias_adjusted", "status": "exploratory", "examiners": 5}
    frame = pl.DataFrame([line | dict.fromkeys(("mean", "ci_low", "ci_high", "predict_low", "predict_high"), 0.719)])
    spread = frame.select("condition", "maneuver", "adjustment", "measure", *frame.columns[-5:])
    page = SimpleNamespace(
        release=SimpleNamespace(figures={"examiner_spread": spread}), catalogue=load_contract().catalogue
    )
    assert "How far examiners differ, all examined «nouns»" in variation(cast(ReleasePage, page))
    other = spread.with_columns(adjustment=pl.lit("pooled_verification"))
    page.release.figures["examiner_spread"] = other
    assert "How far examiners differ, corrected for verification bias alone" in variation(cast(ReleasePage, page))


def test_no_count_under_eleven_stands_in_a_released_table(released: Path) -> None:
    (folder,) = released.glob("release-*/")
    made = read_release(folder)
    assert made.counts.height > 3
    for frame in (made.counts, *made.figures.values()):
        for column in frame.columns:
            if frame[column].dtype.is_integer():
                assert not (frame[column] < 11).any(), column
    assert leaks(made) == []


def test_the_page_shows_no_count_under_eleven(released: Path) -> None:
    (page,) = released.glob("release-*.html")
    text = re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8"))
    found = re.findall(r"(\d+) of (\d+)", text)
    assert found
    for part, whole in found:
        assert int(part) > 10
        assert int(whole) - int(part) > 10


def test_a_second_time_gives_the_same_bytes_and_no_second_entry(released: Path, made: Path, tmp_path: Path) -> None:
    registry = released.parent / "registry.duckdb"
    before = len(log_of(registry))
    assert make(made / "clinic" / "results", tmp_path, registry) == 0
    for path in outgoing(released):
        assert (tmp_path / path.relative_to(released)).read_bytes() == path.read_bytes()
    assert len(log_of(registry)) == before


def test_a_leak_fails_the_render_and_nothing_is_written_nor_entered(
    made: Path, registry: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(selection, "FEWEST", 3)
    before = len(log_of(registry))
    assert make(made / "clinic" / "results", tmp_path / "out", registry) == DisclosureError.exit_code
    assert "could be worked out" in capsys.readouterr().err.strip().splitlines()[-1]
    assert not (tmp_path / "out").exists() or list((tmp_path / "out").iterdir()) == []
    assert len(log_of(registry)) == before


def test_results_of_other_records_are_refused(made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    registry = make_ledger(tmp_path / "other", "9" * 64)
    assert make(made / "clinic" / "results", tmp_path / "out", registry) == DisclosureError.exit_code
    assert "not of the records in this registry" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("more", "code"),
    [
        (("--approved-by", "medical director"), DisclosureError.exit_code),
        (("--because", "the paper"), DisclosureError.exit_code),
        (("--source", "x"), ReportError.exit_code),
    ],
)
def test_half_an_approval_is_refused(
    made: Path, registry: Path, tmp_path: Path, more: tuple[str, str], code: int
) -> None:
    assert make(made / "tiny" / "results", tmp_path / "out", registry, *more) == code


def test_a_release_without_its_registry_is_refused(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    at = ["--results", str(made / "clinic" / "results"), "--out", str(tmp_path / "out")]
    assert main(["report", "audit", "--audience", "release", *at]) == ReportError.exit_code
    assert "name the registry" in capsys.readouterr().err


@pytest.mark.parametrize("size", ["tiny", "empty", "young"])
def test_a_small_registry_gives_an_honest_short_page(made: Path, registry: Path, tmp_path: Path, size: str) -> None:
    assert make(made / size / "results", tmp_path / "out", registry) == 0
    (page,) = (tmp_path / "out").glob("*.html")
    assert "Too few" in page.read_text(encoding="utf-8")


def test_the_words_of_a_groups_own_catalogue_serve_the_page_and_stay_inside(released: Path, tmp_path: Path) -> None:
    (made,) = released.glob("release-*/")
    about = json.loads((made / "release.json").read_text(encoding="utf-8"))
    assert about["catalogue"].keys() <= {"joint", "hash"}
    assert not (made / "catalogue.json").exists()
    folder = Path(shutil.copytree(made, tmp_path / "release"))
    own = Kept.of(load_local(_ours(tmp_path)))
    lend_catalogue(folder, {"joint": own.joint, "hash": own.hash, "local": own.local})
    lent = open_release(folder, resource("reports"))
    assert "second_look" in lent.catalogue.maneuvers
    (folder / "catalogue.json").unlink()
    about["catalogue"] = {"joint": own.joint, "hash": own.hash}
    (folder / "release.json").write_text(json.dumps(about), encoding="utf-8")
    with pytest.raises(ReportError, match="made under another catalogue"):
        open_release(folder, resource("reports"))


def _ours(folder: Path) -> Path:
    file = folder / "ours.yaml"
    file.write_text(
        "extends: knee\nmaneuvers:\n  second_look:\n    name: Second look\n    phase: look\n    purpose: contributor\n"
        "    positive: Something is seen.\n    technique: Look again.\n    signs: [visible]\n"
        "    synonyms: [second look]\n",
        encoding="utf-8",
    )
    return file

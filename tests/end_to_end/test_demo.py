"""The demo from its command to its report, as one real process, and what it leaves behind."""

from __future__ import annotations

import json
import re
import stat
import subprocess
from pathlib import Path

import polars as pl
import pytest
from demo_run import Run
from leaks import find_leaks

from examtally import demo as demo_module
from examtally.cli.app import main
from examtally.registry import open_registry
from examtally.results.analysis import TABLES
from examtally.results.manifest import MANIFEST

SOON = ("cohort_summary", "flow", "tallies", "agreement", "indicators", "batches", "held_back", "intake_checks")


def test_every_table_is_made_in_one_of_both_processes() -> None:
    elsewhere = [*demo_module._APART, *demo_module._WITH_MODELS]
    assert len(elsewhere) == len({*elsewhere})
    assert {*elsewhere} < {*TABLES}


def test_it_ends_with_what_to_open_what_it_shows_and_what_next(demo: Run) -> None:
    lines = demo.stdout.strip().splitlines()
    first, shows, after = lines[(at := [line[:10] for line in lines].index("Open first")) : at + 3]
    assert Path(first.removeprefix("Open first, in a browser: ")) == (demo.out / "report" / "audit.html").resolve()
    assert (demo.out / "report" / "audit.html").is_file()
    assert shows.startswith("It shows ")
    command = after.removeprefix("Next, with your own files: ").removesuffix(" check FOLDER")
    ran = subprocess.run(["sh", "-c", f"{command} --version"], capture_output=True, text=True, check=False, timeout=60)
    assert ran.stdout.startswith("examtally "), after


def test_the_registry_is_private_and_nothing_is_left_beside_it(demo: Run) -> None:
    assert stat.S_IMODE((demo.out / "registry.duckdb").stat().st_mode) == 0o600
    assert stat.S_IMODE((demo.out / "results" / "examiners").stat().st_mode) == 0o700
    assert {path.name for path in demo.out.iterdir()} == {"registry.duckdb", "synthetic", "results", "report"}


def test_nothing_planted_and_no_path_is_found_anywhere(demo: Run) -> None:
    expected = json.loads((demo.out / "synthetic" / "dirty" / "expected.json").read_text(encoding="utf-8"))
    paths = {str(demo.out), str(demo.out.parent.name), str(Path.home())}
    places = [demo.out / "registry.duckdb", demo.out / "results", demo.out / "report", demo.stdout, demo.stderr]
    found = find_leaks([*expected["planted"], *paths, "Lachman"], *places)
    said = {"a text"}  # what the demo printed names its folder
    assert {needle for needle, where in found if needle not in paths or where not in said} == {"Lachman"}
    assert {where for needle, where in found if needle == "Lachman"} >= {"audit.html"}, "what is there is found"


def test_the_report_reads_nothing_from_outside(demo: Run) -> None:
    text = (demo.out / "report" / "audit.html").read_text(encoding="utf-8")
    assert re.findall(r"""(?:src|href)\s*=\s*["'](?!data:|#)[^"']*""", text) == []
    assert re.findall(r"url\((?!data:|['\"]?data:|#)[^)]*\)", text) == []


@pytest.mark.study
def test_the_same_registry_gives_the_same_bytes(demo: Run, tmp_path: Path) -> None:
    """Of the tables that are soon made; those of a little registry are all made twice where folders are tested."""
    first, again = demo.out / "results", tmp_path / "again"
    words = ["analyze", "--registry", str(demo.out / "registry.duckdb"), "--out", str(again), "--with-examiners"]
    assert main([*words, "--only", ",".join(SOON)]) == 0
    made = [path.relative_to(again) for path in again.rglob("*.*") if path.name != MANIFEST]
    assert {path.stem for path in made} == {*SOON}
    assert {path.stem for path in first.rglob("*.*")} == {*TABLES, "known_truth", "manifest"}
    was, is_now = (json.loads((folder / MANIFEST).read_text(encoding="utf-8")) for folder in (first, again))
    for name in ("registry", "protocol", "protocol_hash", "seed"):
        assert is_now[name] == was[name]
    assert is_now["tables"] == {name: was["tables"][name] for name in SOON}
    for path in made:
        assert (again / path).read_bytes() == (first / path).read_bytes(), path


def test_the_flow_counts_every_exam_once(demo: Run) -> None:
    flow = pl.read_parquet(demo.out / "results" / "flow.parquet")
    with open_registry(demo.out / "registry.duckdb") as registry:
        row = registry.con.execute("select count(*) from reg.exams").fetchone()
    assert row is not None
    totals = flow.group_by("condition", "maneuver").agg(pl.col("exams").sum())
    assert totals["exams"].unique().to_list() == [row[0]]


def test_every_line_of_the_dirty_export_ends_where_it_was_planted_to(demo: Run) -> None:
    expected = json.loads((demo.out / "synthetic" / "dirty" / "expected.json").read_text(encoding="utf-8"))
    with open_registry(demo.out / "registry.duckdb") as opened:
        held = opened.con.execute('select "table", line, rule from reg.held_back where batch_no = 2').fetchall()
        counts = opened.con.execute(
            'select "table", lines, stored, unchanged, conflict, waiting, held_back from reg.batch_tables '
            "where batch_no = 2"
        ).fetchall()
    names = ("lines", "stored", "unchanged", "conflict", "waiting", "held_back")
    after = {table: dict(zip(names, figures, strict=True)) for table, *figures in counts}
    assert after == expected["tables_after_records"]
    planted = [line for line in expected["lines"] if line["after_records"] in {"held_back", "conflict"}]
    assert {row[:2] for row in held} == {(line["table"], line["line"]) for line in planted}
    due = {(line["table"], line["line"], line["rule"]) for line in planted if line["after_records"] == "held_back"}
    assert due <= set(held)

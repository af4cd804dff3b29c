"""The demo from its command to its report, as one real process, and what it leaves behind."""

from __future__ import annotations

import json
import re
import stat
from pathlib import Path

import polars as pl
from demo_run import Run
from leaks import find_leaks

from examtally.cli.app import main
from examtally.registry import open_registry

MANIFEST = Path("manifest.json")


def test_it_ends_with_what_to_open_what_it_shows_and_what_next(demo: Run) -> None:
    first, shows, after = demo.stdout.strip().splitlines()[-3:]
    assert Path(first.removeprefix("Open first, in a browser: ")) == (demo.out / "report" / "audit.html").resolve()
    assert (demo.out / "report" / "audit.html").is_file()
    assert shows.startswith("It shows ")
    assert after.startswith("Next, with your own files: examtally check")


def test_the_registry_is_private_and_nothing_is_left_beside_it(demo: Run) -> None:
    assert stat.S_IMODE((demo.out / "registry.duckdb").stat().st_mode) == 0o600
    assert stat.S_IMODE((demo.out / "results" / "examiners").stat().st_mode) == 0o700
    assert {path.name for path in demo.out.iterdir()} == {"registry.duckdb", "synthetic", "results", "report"}


def test_nothing_planted_in_the_export_is_found_anywhere(demo: Run) -> None:
    expected = json.loads((demo.out / "synthetic" / "dirty" / "expected.json").read_text(encoding="utf-8"))
    places = [demo.out / "registry.duckdb", demo.out / "results", demo.out / "report", demo.stdout, demo.stderr]
    assert find_leaks(["Lachman"], demo.out / "report"), "the search finds what is there"
    assert find_leaks(expected["planted"], *places) == []


def test_no_path_in_the_results(demo: Run) -> None:
    words = [str(demo.out), str(demo.out.parent.name), str(Path.home())]
    assert find_leaks(words, demo.out / "results", demo.out / "report") == []


def test_the_report_reads_nothing_from_outside(demo: Run) -> None:
    text = (demo.out / "report" / "audit.html").read_text(encoding="utf-8")
    assert re.findall(r"""(?:src|href)\s*=\s*["'](?!data:|#)[^"']*""", text) == []
    assert re.findall(r"url\((?!data:|['\"]?data:|#)[^)]*\)", text) == []


def test_the_same_registry_gives_the_same_bytes(demo: Run, tmp_path: Path) -> None:
    again = tmp_path / "again"
    words = ["analyze", "--registry", str(demo.out / "registry.duckdb"), "--out", str(again), "--with-examiners"]
    assert main(words) == 0
    first = {path.relative_to(demo.out / "results"): path for path in (demo.out / "results").rglob("*.*")}
    for name in ("known_truth.csv", "known_truth.parquet"):  # no registry knows the truth; the demo does
        del first[Path(name)]
    assert {path.relative_to(again) for path in again.rglob("*.*")} == set(first)
    was, is_now = (json.loads(path.read_text(encoding="utf-8")) for path in (first.pop(MANIFEST), again / MANIFEST))
    del was["tables"]["known_truth"]
    del was["seal"], is_now["seal"]
    assert {name: told for name, told in is_now["tables"].items() if told != was["tables"][name]} == {}
    assert is_now == was
    for name, path in first.items():
        assert (again / name).read_bytes() == path.read_bytes(), name


def test_the_flow_counts_every_exam_once(demo: Run) -> None:
    flow = pl.read_parquet(demo.out / "results" / "flow.parquet")
    with open_registry(demo.out / "registry.duckdb") as registry:
        row = registry.con.execute("select count(*) from reg.exams").fetchone()
    assert row is not None
    totals = flow.group_by("condition", "maneuver").agg(pl.col("exams").sum())
    assert totals["exams"].unique().to_list() == [row[0]]


def test_every_line_of_the_dirty_export_ends_where_it_was_planted_to(demo: Run, tmp_path: Path) -> None:
    dirty = demo.out / "synthetic" / "dirty"
    expected = json.loads((dirty / "expected.json").read_text(encoding="utf-8"))
    registry = tmp_path / "registry.duckdb"
    assert main(["ingest", str(dirty), "--registry", str(registry)]) == 0
    with open_registry(registry) as opened:
        held = opened.con.execute('select "table", line, rule from reg.held_back').fetchall()
        counts = opened.con.execute(
            'select "table", lines, stored, unchanged, conflict, waiting, held_back from reg.batch_tables'
        ).fetchall()
    names = ("lines", "stored", "unchanged", "conflict", "waiting", "held_back")
    assert {table: dict(zip(names, figures, strict=True)) for table, *figures in counts} == expected["tables"]
    planted = {
        (line["table"], line["line"], line["rule"])
        for line in expected["lines"]
        if line["outcome"] in {"held_back", "conflict"}
    }
    assert planted <= set(held)
    assert {row[:2] for row in held} == {row[:2] for row in planted}

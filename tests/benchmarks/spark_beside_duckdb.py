"""The whole of `analyze` by Spark and by DuckDB on one clinic: every file compared, and what cohort and tallies take.

    python tests/benchmarks/spark_beside_duckdb.py FOLDER [--exams 20000] [--rounds 2]

Each analysis is a process of its own, so that its processor time is that of Python, DuckDB and Java together. Spark
has two cores, as DuckDB. Needs what `docs/spark.md` names; ends with 1 where a file differs.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from at_scale import run

COUNTED = ("--only", "cohort_summary,flow,tallies")


def differing(one: Path, other: Path) -> tuple[list[str], int]:
    """The files that differ between two folders, or stand in one alone, and how many there are in both."""
    ours, theirs = (
        {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
        for folder in (one, other)
    )
    names = sorted({*ours, *theirs})
    return [name for name in names if ours.get(name) != theirs.get(name)], len(names)


def main() -> None:
    parser = argparse.ArgumentParser(description=str(__doc__).split("\n", 1)[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--exams", type=int, default=20_000)
    parser.add_argument("--rounds", type=int, default=2)
    asked = parser.parse_args()
    folder: Path = asked.folder
    folder.mkdir(parents=True)
    registry, tables = str(folder / "registry.duckdb"), str(folder / "tables")
    scenario = folder / "scenario.yaml"
    scenario.write_text(f"based_on: clinic\nexams: {asked.exams}\n", encoding="utf-8")
    run("synthesize", "synthesize", "--scenario", str(scenario), "--out", str(folder / "clinic"))
    run("ingest", "ingest", str(folder / "clinic" / "records"), "--registry", registry, "--to", tables)
    engines = {
        "duckdb": ("--registry", registry),
        "spark": ("--engine", "spark", "--records", tables, "--spark-master", "local[2]"),
    }
    for number in range(asked.rounds):
        for name, words in engines.items():
            out = str(folder / "counted" / f"{name}-{number}")
            run(f"cohort and tallies, {name}", "analyze", *words, *COUNTED, "--out", out)
    for name, words in engines.items():
        out = str(folder / "whole" / name)
        run(f"all tables, {name}", "analyze", *words, "--with-examiners", "--out", out)
    counted, whole = folder / "counted", folder / "whole"
    pairs = [(whole / "duckdb", whole / "spark")]
    pairs += [(counted / f"duckdb-{n}", counted / f"spark-{n}") for n in range(asked.rounds)]
    found = [differing(*pair) for pair in pairs]
    for (wrong, of), (_, ours) in zip(found, pairs, strict=True):
        print(f"{ours.name}: {of} files, {len(wrong)} differ {' '.join(wrong)}")
    sys.exit(any(wrong for wrong, _ in found))


if __name__ == "__main__":
    main()

"""One line of work at a size that no clinic has, stage by stage, each in a process of its own: time and peak memory.

    python tests/benchmarks/at_scale.py FOLDER [COPIES …] [--memory 8GB]

COPIES are how many times each person of the synthetic clinic is there (12 120 where left out; 1200 makes 100 million
findings). Past 20 million findings the files come in parts, which are taken in one after the other. What one size
leaves on disk is removed before the next begins. Exponents compare each size with the one before.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb

MONTHLY = "cohort_summary,flow,tallies,accuracy,indicators,batches,held_back,intake_checks,assumptions"


@dataclass(frozen=True)
class Stage:
    """What one stage took: seconds by the clock and of processor time, and the most memory it held, in GB."""

    name: str
    wall: float
    processor: float
    peak: float

    @staticmethod
    def together(parts: Sequence[Stage]) -> Stage:
        """One stage done in several goes: their times together, and the most memory of any."""
        wall, processor = (sum(getattr(one, name) for one in parts) for name in ("wall", "processor"))
        return Stage(parts[0].name, wall, processor, max(one.peak for one in parts))


def run(name: str, *words: str) -> Stage:
    """Run one command of ours to its end; its log goes to standard error."""
    begun = time.perf_counter()
    child = subprocess.Popen([sys.executable, "-m", "examtally.cli", *words], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{name}: ended with {child.returncode}")
    stage = Stage(name, time.perf_counter() - begun, used.ru_utime + used.ru_stime, used.ru_maxrss / 1e6)
    print(f"  {name:12} {stage.wall:8.1f} s, {stage.processor:8.1f} s of processor, {stage.peak:5.2f} GB", flush=True)
    return stage


def batches_of(folder: Path) -> list[list[Path]]:
    """The record files, those of one number together: `findings.csv`, then `findings-2.csv`, …"""
    found: dict[int, list[Path]] = {}
    for path in sorted(folder.glob("*.csv")):
        number = path.stem.partition("-")[2]
        found.setdefault(int(number or 1), []).append(path)
    return [files for _, files in sorted(found.items())]


def stages(folder: Path, copies: int, memory: list[str]) -> tuple[int, list[Stage]]:
    """Make the clinic and take it through every stage; return the findings stored and what each stage took."""
    clinic, registry = folder / "clinic", folder / "registry.duckdb"
    found = []
    found.append(run("synthesize", "synthesize", "--out", str(clinic), "--scale", str(copies)))
    batches = batches_of(clinic / "records")
    taken = [run("ingest", "ingest", *map(str, batch), "--registry", str(registry), *memory) for batch in batches]
    found.append(Stage.together(taken))
    shutil.rmtree(clinic)
    with duckdb.connect(str(registry), read_only=True) as con:
        ((findings,),) = con.execute("select count(*) from findings").fetchall()
    naive = ("--registry", str(registry), "--adjustments", "none", *memory)
    found.append(run("tallies", "analyze", *naive, "--only", "tallies", "--out", str(folder / "tallies")))
    found.append(run("accuracy", "analyze", *naive, "--only", "accuracy", "--out", str(folder / "accuracy")))
    found.append(run("monthly", "analyze", *naive, "--only", MONTHLY, "--out", str(folder / "month")))
    page = ("report", "monthly", "--results", str(folder / "month"), "--period", "P018")
    found.append(run("page", *page, "--out", str(folder / "pages")))
    print(f"  registry {registry.stat().st_size / 1e9:.2f} GB")
    return findings, found


def main() -> None:
    parser = argparse.ArgumentParser(description=str(__doc__).split("\n", 1)[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("copies", type=int, nargs="*")
    parser.add_argument("--memory")
    parser.add_argument("--json", type=Path, help="File to add each size's figures to, a line each.")
    asked = parser.parse_args()
    before: tuple[int, list[Stage]] | None = None
    for copies in asked.copies or [12, 120]:
        folder = asked.folder / f"scale-{copies}"
        folder.mkdir(parents=True)
        print(f"{copies:,} copies", flush=True)
        try:
            findings, found = stages(folder, copies, ["--memory", asked.memory] if asked.memory else [])
        finally:
            shutil.rmtree(folder)
        print(f"{findings:,} findings", flush=True)
        for now, then in zip(found, before[1] if before else (), strict=False):
            power = math.log(now.processor / then.processor) / math.log(findings / before[0]) if before else 0.0
            print(f"  {now.name:12} grows with findings to the power {power:.2f}", flush=True)
        before = findings, found
        if asked.json:
            with asked.json.open("a", encoding="utf-8") as stream:
                print(json.dumps({"findings": findings, "stages": [vars(one) for one in found]}), file=stream)


if __name__ == "__main__":
    main()

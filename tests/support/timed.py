"""Batches and commands timed in processes of their own, for the benchmarks of bringing records in."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

INGEST = """
import json, resource, sys, time
begun = time.perf_counter()
from examtally.ingestion import ingest
*paths, registry, mapping, second_engine = sys.argv[1:]
steps = []
note = lambda step: steps.append((step, time.perf_counter() - begun, time.process_time()))
note("start")
report = ingest(paths, registry, mapping=mapping or None, second_engine=bool(second_engine), progress=note)
note("end")
print(json.dumps({
    "steps": steps, "peak_gb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6,
    "stored": {table.table: table.stored for table in report.tables},
}))
"""
LONGEST = 1800  # seconds


@dataclass(frozen=True)
class Timed:
    """What a batch took, imports included: `wall` and `cpu` in seconds, `steps` of (name, wall, cpu) as they began."""

    stored: dict[str, int]
    steps: Sequence[tuple[str, float, float]]
    peak_gb: float

    @property
    def wall(self) -> float:
        """Seconds from the first import to the end."""
        return self.steps[-1][1]

    @property
    def cpu(self) -> float:
        """Seconds of all processors, that of starting Python included."""
        return self.steps[-1][2]

    def __str__(self) -> str:
        long = [f"{one[0]} {after[2] - one[2]:.1f}" for one, after in pairwise(self.steps) if after[2] - one[2] > 0.05]
        return (
            f"{self.wall:.1f} s ({self.cpu:.1f} s of processor, {self.peak_gb:.2f} GB)\n   of processor: "
            + ", ".join(long)
        )


def timed_ingest(registry: Path, *paths: Path, mapping: Path | str = "", second_engine: bool = False) -> Timed:
    """Bring the files under `paths` into a registry, in a process of its own."""
    arguments = [*map(str, paths), str(registry), str(mapping), "1" if second_engine else ""]
    return Timed(**json.loads(said([sys.executable, "-c", INGEST, *arguments])))


def said(command: Sequence[str]) -> str:
    """What a command prints."""
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=LONGEST, env=_environment())
    return done.stdout


def processor_seconds(command: Sequence[str]) -> float:
    """The processor time that a command takes as a whole, Python's own start included."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    said(command)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _environment() -> dict[str, Any]:
    """This one's, but that modules are compiled once, as where the package is installed."""
    return {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}

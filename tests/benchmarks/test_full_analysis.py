"""The whole of `analyze` at 20,000 and 200,000 exams: processor time, and how it grows."""

from __future__ import annotations

from collections.abc import Callable
from math import log
from pathlib import Path

import pytest
from paired import Aim, hold, processor_seconds

from examtally.ingestion import ingest
from examtally.registry import open_registry
from examtally.results import analyze
from examtally.synthesis import synthesize

SIZES = (20_000, 200_000)
MOST_SECONDS, MOST_EXPONENT = 120, 0.5


@pytest.mark.benchmark_ratio
def test_every_table_of_a_large_clinic(tmp_path: Path, say: Callable[[str], None]) -> None:
    taken = []
    for exams in SIZES:
        folder = tmp_path / str(exams)
        records = synthesize(folder / "clinic", exams=exams).out / "records"
        ingest([records], folder / "registry.duckdb")
        with open_registry(folder / "registry.duckdb") as registry:
            begun = processor_seconds()
            made = analyze(registry, with_examiners=True, progress=lambda step: say(f"  {step}"))
            taken.append(processor_seconds() - begun)
        say(f"{exams:,} exams: {len(made.tables)} tables in {taken[-1]:.0f} s of processor")
    hold(
        say,
        Aim("seconds of processor for 200,000 exams", taken[1], most=MOST_SECONDS),
        Aim("exponent from 20,000 exams", log(taken[1] / taken[0]) / log(SIZES[1] / SIZES[0]), most=MOST_EXPONENT),
    )

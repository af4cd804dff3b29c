"""What benchmarks share: a voice that is heard while they run, and a large registry."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from examtally.ingestion import ingest
from examtally.synthesis import synthesize

COPIES = 67  # of a clinic of 3,000 exams: 200,000 exams, 5.6 million findings


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Print a line at once, whatever pytest captures."""

    def line(text: str) -> None:
        with capsys.disabled():
            print(f"\n{text}" if not text.startswith(" ") else text, flush=True)

    return line


@pytest.fixture(scope="session")
def large_clinic(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The registry of 200,000 exams of the synthetic clinic, its people many times over."""
    folder = tmp_path_factory.mktemp("large")
    records = synthesize(folder / "clinic", scale=COPIES).out / "records"
    ingest([records], folder / "registry.duckdb")
    return folder / "registry.duckdb"

"""What benchmarks share: quick ones first, a voice that is heard while they run, and a large registry."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from paired import processor_seconds

from examtally.ingestion import ingest
from examtally.synthesis import synthesize

COPIES = 67  # of a clinic of 3,000 exams: 200,000 exams, 5.6 million findings
LAST = ("test_ingest_ratio", "test_accuracy_ratio", "test_analyze_ratio", "test_full_analysis")
"""Files that take minutes, the longest at the end; all others are quicker."""


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Let the quick ones say first what they found."""
    items.sort(key=_turn)


def _turn(item: pytest.Item) -> int:
    return LAST.index(item.path.stem) if item.path.stem in LAST else -1


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Print a line at once, whatever pytest captures."""

    def line(text: str) -> None:
        with capsys.disabled():
            print(f"\n{text}" if not text.startswith(" ") else text, flush=True)

    return line


@pytest.fixture(autouse=True)
def _told(request: pytest.FixtureRequest, say: Callable[[str], None]) -> Iterator[None]:
    """Say which program runs, of how many, and at its end what it took with what it stands on."""
    every = request.session.items
    say(f"{every.index(request.node) + 1} of {len(every)}: {request.node.name}")
    begun, used = time.perf_counter(), processor_seconds()
    yield
    say(f"  took {time.perf_counter() - begun:.0f} s by the clock, {processor_seconds() - used:.0f} s of processor")


@pytest.fixture(scope="session")
def large_clinic(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The registry of 200,000 exams of the synthetic clinic, its people many times over."""
    folder = tmp_path_factory.mktemp("large")
    records = synthesize(folder / "clinic", scale=COPIES).out / "records"
    ingest([records], folder / "registry.duckdb")
    return folder / "registry.duckdb"

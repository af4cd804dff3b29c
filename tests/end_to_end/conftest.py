"""One run of the demo for all tests of a run."""

from __future__ import annotations

from pathlib import Path

import pytest
from demo_run import Run, read_demo, run_demo
from shared import shared_folder


@pytest.fixture(scope="session")
def demo(together: Path) -> Run:
    return read_demo(shared_folder(together, "invented-clinic", run_demo))

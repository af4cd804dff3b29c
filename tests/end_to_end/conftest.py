"""One run of the demo for all tests of a run."""

from __future__ import annotations

import pytest
from demo_run import Run, read_demo, run_demo
from shared import shared_folder


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Run:
    own = tmp_path_factory.getbasetemp()
    return read_demo(shared_folder(own if worker_id == "master" else own.parent, "invented-clinic", run_demo))

"""One run of the demo, and one rendering of its pages, for all tests of a run."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest
from demo_run import Pages, Run, make_pages, read_demo, run_demo
from shared import shared_folder


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """With `--shipped-demo`, whatever reads the demo is a test of `make study`."""
    for item in items:
        if config.getoption("--shipped-demo") and "demo" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.study)


@pytest.fixture(scope="session")
def demo(together: Path, pytestconfig: pytest.Config) -> Run:
    """A third of the exams of the demo, or, with `--shipped-demo`, all of them."""
    whole = pytestconfig.getoption("--shipped-demo")
    return read_demo(shared_folder(together, "invented-clinic", partial(run_demo, whole=whole)))


@pytest.fixture(scope="session")
def demo_pages(together: Path, demo: Run) -> Pages:
    return Pages(shared_folder(together, "invented-pages", lambda root: make_pages(demo.out / "results", root)))

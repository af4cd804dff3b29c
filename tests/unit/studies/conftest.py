from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from study_clinic import make_registry

from examtally.studies import locking

EXAMPLES = Path(__file__).resolve().parents[3] / "docs" / "studies"


@pytest.fixture(scope="session")
def kept_clinic(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A registry that no test writes to."""
    return make_registry(tmp_path_factory.mktemp("clinic"))


@pytest.fixture
def clinic(kept_clinic: Path, tmp_path: Path) -> Path:
    """A copy of the registry of one test's own."""
    return Path(shutil.copy(kept_clinic, tmp_path / "registry.duckdb"))


@pytest.fixture
def rehearsed() -> None:
    """For a test that locks as users do, with the rehearsal before."""


@pytest.fixture(autouse=True)
def _without_rehearsal(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """A lock is not rehearsed, which takes seconds, but where a test asks for it."""
    if "rehearsed" not in request.fixturenames:
        monkeypatch.setattr(locking, "rehearse", lambda *_, **__: None)


@pytest.fixture
def single(tmp_path: Path) -> Path:
    """A copy of the example of a single test, without the scenarios, which take long."""
    path = Path(shutil.copy(EXAMPLES / "single_test.yaml", tmp_path))
    path.write_text(f"{path.read_text(encoding='utf-8')}missing: {{findings: excluded}}\n", encoding="utf-8")
    return path

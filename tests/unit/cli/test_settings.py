"""What a settings file fills in: options of that meaning, and none where it would change what a command does."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import typer

from examtally.cli.app import app
from examtally.cli.settings import defaults
from examtally.contracts.settings import read_settings

GROUP = typer.main.get_command(app)
TEXT = """\
registry = "r.duckdb"
results = "results"
reports = "pages"
protocol = "p.yaml"
operator = "OP-1"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "examtally.toml").write_text(TEXT)
    return tmp_path


def _filled(folder: Path, *words: str, extra: tuple[str, ...] = ()) -> dict[str, Any]:
    found: Any = defaults(read_settings(folder / "examtally.toml"), GROUP, [*words, *extra])
    for word in words:
        found = found[word]
    return {name: Path(value).name for name, value in found.items()}


def test_each_command_is_filled_with_what_it_asks_for(folder: Path) -> None:
    assert _filled(folder, "analyze") == {"registry": "r.duckdb", "out": "results", "protocol": "p.yaml"}
    assert _filled(folder, "ingest") == {"registry": "r.duckdb", "operator": "OP-1"}
    assert _filled(folder, "report", "monthly") == {"results": "results", "out": "pages"}
    assert _filled(folder, "deidentify") == {}


def test_what_is_not_there_yet_is_filled_in_only_where_it_is_needed(folder: Path) -> None:
    assert _filled(folder, "check") == {}
    assert _filled(folder, "doctor") == {}
    (folder / "r.duckdb").touch()
    (folder / "results").mkdir()
    assert _filled(folder, "check") == {"registry": "r.duckdb"}
    assert _filled(folder, "doctor") == {"registry": "r.duckdb", "results": "results"}


def test_nothing_is_filled_in_that_would_change_what_a_command_does(folder: Path) -> None:
    (folder / "r.duckdb").touch()
    (folder / "results").mkdir()
    assert _filled(folder, "report", "audit") == {"results": "results", "out": "pages"}
    release = _filled(folder, "report", "audit", extra=("--audience", "release"))
    assert release == {"results": "results", "out": "pages", "registry": "r.duckdb", "operator": "OP-1"}
    assert _filled(folder, "report", "intake") == {"results": "results", "out": "pages"}
    assert _filled(folder, "report", "intake", extra=("--registry", "x")) == {"out": "pages"}
    assert "registry" not in _filled(folder, "study", "check")
    assert "results" not in _filled(folder, "study", "report")

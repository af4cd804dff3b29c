"""Synthetic clinics drawn once for all tests of the generator."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from examtally.synthesis import SynthesisReport, synthesize
from examtally.synthesis.clinic import Clinic, Part, draw_parts, open_clinic
from examtally.synthesis.scenario import Scenario
from examtally.synthesis.scenario_file import load_scenario


@pytest.fixture(scope="session")
def scenario() -> Scenario:
    """The clinic that comes with the package."""
    return load_scenario()


@pytest.fixture(scope="session")
def clinic(scenario: Scenario) -> Clinic:
    """That clinic at its own seed."""
    return open_clinic(scenario, scenario.seed)


@pytest.fixture(scope="session")
def part(clinic: Clinic) -> Part:
    """All of that clinic, hidden truth included."""
    (drawn,) = draw_parts(clinic, clinic.context.scenario.exams)
    return drawn


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> SynthesisReport:
    """That clinic as files."""
    return synthesize(tmp_path_factory.mktemp("clinic"))


@pytest.fixture(scope="session")
def truth(written: SynthesisReport) -> dict[str, Any]:
    """Its truth, tables as frames."""
    return _framed(json.loads((written.out / "truth.json").read_text(encoding="utf-8")))


@pytest.fixture
def based(tmp_path: Path) -> Callable[[str], Path]:
    """Write a scenario that is the clinic but for a few lines."""

    def write(lines: str, name: str = "other") -> Path:
        place = tmp_path / f"{name}.yaml"
        place.write_text(f"based_on: clinic\n{lines}", encoding="utf-8")
        return place

    return write


def _framed(value: Any) -> Any:
    if isinstance(value, dict) and set(value) == {"columns", "rows"}:
        return pl.DataFrame(value["rows"], schema=value["columns"], orient="row", infer_schema_length=None)
    return {key: _framed(inner) for key, inner in value.items()} if isinstance(value, dict) else value

"""The shape of the house: imports run one way, heavy libraries stay in their one module."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "pipeline" / "examtally"
SMALL = {"errors", "fonts", "resources"}
ALLOWED = {
    "errors": set(),
    "doctor": {"fonts"},
    "fonts": set(),
    "resources": set(),
    "contracts": {"errors", "resources"},
    "registry": {"contracts", "errors", "resources"},
    "plots": {"contracts", *SMALL},
    "workbook": {"contracts", "errors", "resources"},
    "ingestion": {"registry", "workbook", "contracts", "errors", "resources"},
    "deidentification": {"ingestion", "registry", "contracts", "errors", "resources"},
    "cohort": {"registry", "contracts", "errors", "resources"},
    "analytics": {"contracts", "errors", "resources"},
    "synthesis": {"cohort", "ingestion", "registry", "contracts", "errors", "resources"},
    "results": {"plots", "analytics", "cohort", "registry", "contracts", "errors", "resources"},
    "disclosure": {"results", "registry", "contracts", "errors"},
    "studies": {"plots", "disclosure", "results", "analytics", "cohort", "registry", "contracts", *SMALL},
    "reporting": {
        "plots",
        "studies",
        "disclosure",
        "results",
        "analytics",
        "workbook",
        "registry",
        "contracts",
        *SMALL,
    },
    "demo": {"reporting", "results", "synthesis", "ingestion", "registry", "contracts", "errors", "resources"},
}
ONLY_IN = {
    "pandas": {"ingestion/checking/intake.py"},
    "great_expectations": {"ingestion/checking/intake.py"},
    "pypandoc": {"reporting/engine/renderer.py"},
    "typst": {"reporting/engine/typesetting.py"},
    "fontTools": {"fonts.py"},
    "openpyxl": {
        "ingestion/reading/sheet.py",
        "workbook/book.py",
        "workbook/reading.py",
        "workbook/layout.py",
    },
}


def _imports(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def _part(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


MODULES = sorted(PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_run_one_way(path: Path) -> None:
    part = _part(path)
    if part in {"__init__", "cli"}:
        return
    ours = {name.split(".")[1] for name in _imports(path) if name.startswith("examtally.")}
    assert ours - {part} <= ALLOWED[part], f"{part} may import only {sorted(ALLOWED[part])}"


@pytest.mark.parametrize("library", ONLY_IN)
def test_heavy_libraries_stay_in_one_module(library: str) -> None:
    users = {
        str(path.relative_to(PACKAGE))
        for path in MODULES
        if any(name.split(".")[0] == library for name in _imports(path))
    }
    assert users <= ONLY_IN[library]


def test_no_module_outgrows_one_noun() -> None:
    long = {str(path.relative_to(PACKAGE)): len(path.read_text().splitlines()) for path in MODULES}
    assert {name: lines for name, lines in long.items() if lines > 400} == {}


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = (
        "import sys, examtally, examtally.cli.app; "
        "heavy = {'duckdb', 'polars', 'numpy', 'scipy', 'matplotlib', 'pandas', 'great_expectations'}; "
        "sys.exit(', '.join(sorted(heavy & set(sys.modules))) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr

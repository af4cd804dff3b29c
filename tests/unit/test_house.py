"""The shape of the house: imports run one way, heavy libraries stay in their one module."""

from __future__ import annotations

import ast
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "pipeline" / "examtally"
SMALL = {"errors", "files", "fonts", "memory", "processes", "resources", "words"}
ALLOWED = {
    "errors": set(),
    "doctor": {"fonts"},
    "files": set(),
    "fonts": set(),
    "memory": {"errors"},
    "processes": {"errors"},
    "resources": {"errors"},
    "words": set(),
    "contracts": {"errors", "resources", "words"},
    "registry": {"contracts", "errors", "files", "memory", "resources"},
    "spark": {"registry", "contracts", "errors", "files", "memory"},
    "plots": {"contracts", *SMALL},
    "workbook": {"contracts", "errors", "files", "resources"},
    "ingestion": {"registry", "workbook", "contracts", "errors", "resources"},
    "deidentification": {"ingestion", "registry", "contracts", "errors", "files", "resources"},
    "cohort": {"registry", "contracts", "errors", "resources"},
    "analytics": {"contracts", "errors", "memory", "processes", "resources"},
    "synthesis": {"cohort", "ingestion", "registry", "contracts", "errors", "processes", "resources"},
    "results": {
        "plots",
        "analytics",
        "cohort",
        "registry",
        "contracts",
        "errors",
        "files",
        "processes",
        "resources",
    },
    "disclosure": {"results", "registry", "contracts", "errors", "files", "words"},
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
    "month": {"reporting", "results", "ingestion", "registry", "contracts", "errors", "resources"},
    "demo": {"reporting", "results", "synthesis", "ingestion", "registry", "contracts", "errors", "processes"},
}
ONLY_IN = {
    "pandas": {"ingestion/checking/intake.py"},
    "great_expectations": {"ingestion/checking/intake.py"},
    "pypandoc": {"reporting/engine/renderer.py"},
    "typst": {"reporting/engine/typesetting.py"},
    "fontTools": {"fonts.py"},
    "pyspark": {"spark/engine.py", "spark/records.py", "spark/session.py"},
    "py4j": {"spark/engine.py"},
    "sqlglot": {"spark/dialect.py", "spark/engine.py"},
    "openpyxl": {
        "ingestion/reading/sheet.py",
        "workbook/book.py",
        "workbook/reading.py",
        "workbook/layout.py",
    },
}


@cache
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


def test_few_modules_are_crumbs() -> None:
    lines = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in MODULES if path.name != "__init__.py"}
    crumbs = sorted(str(path.relative_to(PACKAGE)) for path, count in lines.items() if count < 60)
    assert len(crumbs) < 45, crumbs


def test_no_two_classes_of_a_package_share_a_name() -> None:
    places: dict[tuple[str, str], list[str]] = {}
    for path in MODULES:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef):
                places.setdefault((_part(path), node.name), []).append(str(path.relative_to(PACKAGE)))
    assert {name: found for name, found in places.items() if len(found) > 1} == {}


def _drawing(split: tuple[str, ...] = ()) -> dict[str, set[str]]:
    """Rooms and the rooms they import; the folders of `split` are drawn by the folders in them."""

    def room(parts: list[str]) -> str:
        inner = parts[0] in split and len(parts) > 1 and (PACKAGE / parts[0] / parts[1]).is_dir()
        return "/".join(parts[: 2 if inner else 1])

    arrows: dict[str, set[str]] = {}
    for path in MODULES:
        own = list(path.relative_to(PACKAGE).with_suffix("").parts)
        if own == ["__init__"]:
            continue
        here = arrows.setdefault(room(own), set())
        named = [name.split(".")[1:] for name in _imports(path) if name.startswith("examtally.")]
        here |= {room(parts) for parts in named} - {room(own)}
    return arrows


def _floors(arrows: dict[str, set[str]]) -> dict[str, int]:
    """The height of each room above those that import none; AssertionError for a circle, with the rooms in it."""
    heights: dict[str, int] = {}

    def height(room: str, above: tuple[str, ...]) -> int:
        assert room not in above, f"a circle of imports: {' -> '.join([*above[above.index(room) :], room])}"
        if room not in heights:
            heights[room] = 1 + max((height(other, (*above, room)) for other in arrows.get(room, ())), default=0)
        return heights[room]

    for room in arrows:
        height(room, ())
    return heights


def test_the_drawing_of_imports_has_one_command_line_room_and_at_most_ten_floors() -> None:
    arrows = _drawing()
    floors = _floors(arrows)
    assert max(floors.values()) <= 10
    assert [room for room, height in floors.items() if height == max(floors.values())] == ["cli"]
    assert [room for room in arrows if room.startswith(("cli", "terminal"))] == ["cli"]


@pytest.mark.parametrize("folder", ["analytics", "reporting"])
def test_folders_of_a_package_import_one_another_in_no_circle(folder: str) -> None:
    arrows = _drawing((folder,))
    inner = {room: others for room, others in arrows.items() if room.startswith(f"{folder}/")}
    assert len(inner) > 5
    _floors(inner)


@pytest.mark.parametrize(
    ("module", "heavy"),
    [
        ("examtally.cli.app", "duckdb polars numpy scipy matplotlib pandas great_expectations"),
        ("examtally.results", "pandas statsmodels sklearn scipy matplotlib"),
        ("examtally.reporting", "polars matplotlib"),
        ("examtally.reporting.reports", "pandas statsmodels sklearn scipy.stats scipy.optimize examtally.disclosure"),
        ("examtally.reporting.monthly.sections", "pandas statsmodels scipy.stats duckdb examtally.registry.registry"),
    ],
)
def test_importing_a_room_loads_only_what_it_is_for(module: str, heavy: str) -> None:
    """No table needs the packages of another, and a page within the group none of the machinery of a release."""
    code = f"import sys, {module}; sys.exit(', '.join(sorted(set({heavy.split()}) & set(sys.modules))) or 0)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr

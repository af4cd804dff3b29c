"""What pyproject.toml, the Makefile, the lock files and the texts for maintainers say of one another."""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest
import yaml

ROOT = Path(__file__).resolve().parents[3]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
MAKEFILE = (ROOT / "Makefile").read_text(encoding="utf-8")
SUPPORTED = re.findall(r"[\d.]+", re.search(r"^SUPPORTED := (.*)$", MAKEFILE, re.MULTILINE)[1])  # type: ignore[index]
LOCKS = sorted(ROOT.glob("requirements*.lock"))


def _module(path: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(Path(path).stem, ROOT / path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _pins(path: Path) -> dict[str, set[str]]:
    pins: dict[str, set[str]] = {}
    for name, version in re.findall(r"^([\w.-]+)==([^\s;]+)", path.read_text(encoding="utf-8"), re.MULTILINE):
        pins.setdefault(name, set()).add(version)
    return pins


def test_every_place_names_the_same_pythons() -> None:
    minors = sorted(int(version.split(".")[1]) for version in SUPPORTED)
    assert minors == list(range(minors[0], minors[-1] + 1))
    assert PROJECT["requires-python"] == f">=3.{minors[0]},<3.{minors[-1] + 1}"
    named = [line for line in PROJECT["classifiers"] if re.search(r"Python :: 3\.\d+", line)]
    assert [int(line.rsplit(".", 1)[1]) for line in named] == minors
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert all(version in readme for version in SUPPORTED)
    assert sorted(SUPPORTED, reverse=True) == SUPPORTED, "the newest is tried first"


def test_the_default_install_holds_no_extra() -> None:
    default, notebook = _pins(ROOT / "requirements.lock"), _pins(ROOT / "requirements-notebook.lock")
    assert {"ipykernel", "jupyterlab", "nbclient", "pytest", "pip-audit", "pyspark", "sqlglot"}.isdisjoint(default)
    assert {"pyspark", "sqlglot"} <= set(_pins(ROOT / "requirements-spark.lock"))
    assert {"ipykernel", "jupyterlab", "nbclient", "nbformat"} <= set(notebook)


@pytest.mark.parametrize("path", LOCKS, ids=lambda path: path.name)
def test_lock_files_agree_have_hashes_and_name_no_address(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(re.findall(r"--hash=sha256:", text)) >= len(_pins(path)) > 50
    for forbidden in ("://", "--index", "--find-links"):
        assert forbidden not in text
    default = _pins(ROOT / "requirements.lock")
    assert {name: versions for name, versions in _pins(path).items() if name in default} == default


def _make(python: str, folder: Path) -> subprocess.CompletedProcess[str]:
    (folder / "Makefile").write_text(MAKEFILE, encoding="utf-8")
    words = ["make", "--silent", ".venv/bin/python", f"PYTHON={python}"]
    # what the make that runs these tests hands down is not this one's
    alone = {name: value for name, value in os.environ.items() if not name.startswith(("MAKE", "MFLAGS"))}
    return subprocess.run(words, cwd=folder, env=alone, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("version", [(3, 10), (3, 15), (2, 7)])
def test_make_refuses_an_unsupported_python_in_one_line(tmp_path: Path, version: tuple[int, int]) -> None:
    other = tmp_path / "python"
    pretend = f"import sys; sys.version_info = {(*version, 0)}; exec(sys.argv.pop(1))"
    other.write_text(f'#!/bin/sh\nshift\nexec "{sys.executable}" -c "{pretend}" "$@"\n', encoding="utf-8")
    other.chmod(0o755)
    done = _make(str(other), tmp_path)
    said = [line for line in (done.stdout + done.stderr).splitlines() if not line.startswith("make: ***")]
    assert done.returncode != 0
    assert len(said) == 1
    assert said[0].startswith(f"Python {version[0]}.{version[1]} is not supported; examtally needs one of 3.14")
    assert not (tmp_path / ".venv").exists()


def test_make_without_any_python_says_so_in_one_line(tmp_path: Path) -> None:
    done = _make("no-such-python", tmp_path)
    assert done.returncode != 0
    assert done.stdout.splitlines() == ["No Python is found; examtally needs one of 3.14 3.13 3.12 3.11"]


def test_make_takes_the_newest_python_it_finds(tmp_path: Path) -> None:
    # the newest name stands for nothing here, as a shim of a version manager may
    for name in ("python3", "python3.12", "python3.13", "python3.14"):
        program = tmp_path / name
        answer = (
            "exit 1" if name == "python3.14" else f"echo {program}"
        )  # a name that stands for nothing is passed over
        program.write_text(f"#!/bin/sh\n{answer}\n", encoding="utf-8")
        program.chmod(0o755)
    words = ["make", "--dry-run", "--file", str(ROOT / "Makefile"), ".venv/bin/python", "-C", str(tmp_path)]
    path = f"{tmp_path}:/usr/bin:/bin"
    done = subprocess.run(words, env={"PATH": path}, capture_output=True, text=True, check=True)
    assert f'"{tmp_path}/python3.13" -m venv .venv' in done.stdout


def test_the_version_stands_in_one_place() -> None:
    assert re.fullmatch(r"\d+\.\d+\.\d+", PROJECT["version"])
    other = [path for path in (ROOT / "pipeline").rglob("*.py") if f'"{PROJECT["version"]}"' in path.read_text("utf-8")]
    assert other == []
    assert f"## {PROJECT['version']}" in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")


def test_authors_and_license_are_named() -> None:
    assert PROJECT["authors"] == [{"name": "the examtally maintainers"}]
    assert PROJECT["license"] == "Apache-2.0"
    words = (ROOT / "LICENSE").read_text(encoding="utf-8").split()
    assert words[:4] == ["Apache", "License", "Version", "2.0,"]
    assert "END OF TERMS AND CONDITIONS" in " ".join(words)


def test_hooks_run_what_is_installed_and_fetch_nothing() -> None:
    config = yaml.safe_load((ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8"))
    assert [repo["repo"] for repo in config["repos"]] == ["local"]
    hooks = config["repos"][0]["hooks"]
    assert {hook["language"] for hook in hooks} == {"system"}
    assert all(hook["entry"].startswith(".venv/bin/") for hook in hooks)


def test_the_long_description_shows_on_an_index_of_packages() -> None:
    text = _module("hatch_build.py").for_an_index((ROOT / "README.md").read_text(encoding="utf-8"))
    assert "![" not in text
    assert "|---|---|\n\n" not in text
    assert [target for target in re.findall(r"\]\(([^)]+)\)", text) if not target.startswith("http")] == []
    for kept in ("## Cautions", "docs/monthly.md", "All four from the synthetic clinic", "Not a device"):
        assert kept in text


NO_ANSWER = '{"dependencies": [{"name": "a", "skip_reason": "not found"}]}'
ONE_FAULT = """{"dependencies": [
  {"name": "a", "version": "1.0", "vulns": [{"id": "X-1", "fix_versions": ["1.1"]}, {"id": "X-2", "fix_versions": []}]},
  {"name": "b", "version": "2.0", "vulns": []}, {"name": "c", "skip_reason": "not found"}]}"""


@pytest.mark.parametrize(
    ("found", "lines", "code"),
    [
        ("", ["make audit: not run: no database of known faults can be reached"], 0),
        (NO_ANSWER, ["make audit: not run: no database of known faults can be reached"], 0),
        (
            ONE_FAULT,
            [
                "a 1.0: X-1; mended in 1.1",
                "a 1.0: X-2; mended in none",
                "not looked up: c",
                "2 known faults in 2 packages",
            ],
            1,
        ),
        ('{"dependencies": [{"name": "b", "version": "2.0", "vulns": []}]}', ["0 known faults in 1 packages"], 0),
    ],
)
def test_an_audit_says_what_it_found_or_that_it_could_not_look(found: str, lines: list[str], code: int) -> None:
    assert _module(".ci/audit.py").verdict(found) == (lines, code)

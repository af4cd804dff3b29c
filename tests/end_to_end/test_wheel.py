"""The wheel carries everything it reads: installed elsewhere, it prints the dictionary and makes a clinic."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def elsewhere(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet"]
    _run([*pip, "wheel", "--no-deps", "--no-build-isolation", "--wheel-dir", str(folder), str(ROOT)], cwd=folder)
    (wheel,) = folder.glob("*.whl")
    site = str(folder / "site")
    _run([*pip, "install", "--no-deps", "--target", site, str(wheel)], cwd=folder)
    where = _run([sys.executable, "-c", "import examtally; print(examtally.__file__)"], folder, PYTHONPATH=site)
    assert where.startswith(site)
    return folder


def _run(words: list[str], cwd: Path, **environment: str) -> str:
    done = subprocess.run(
        words, cwd=cwd, env=os.environ | environment, capture_output=True, text=True, check=False, timeout=300
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.parametrize(
    "words",
    [
        ["dictionary", "--table", "findings"],
        ["guide", "monthly"],
        ["synthesize", "--scenario", "small", "--out", "clinic"],
    ],
)
def test_the_wheel_stands_alone(elsewhere: Path, words: list[str]) -> None:
    assert _run([sys.executable, "-m", "examtally.cli", *words], elsewhere, PYTHONPATH=str(elsewhere / "site"))

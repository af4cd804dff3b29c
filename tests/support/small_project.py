"""A Quarto project with the true look and no report in it."""

from __future__ import annotations

import shutil
from pathlib import Path

from examtally.resources import resource


def small_project(folder: Path) -> Path:
    """Make `folder` a project of reports and return it."""
    source = resource("reports")
    folder.mkdir(exist_ok=True)
    shutil.copytree(source / "_extensions", folder / "_extensions", dirs_exist_ok=True)
    for name in ("_quarto.yml", "_quarto-page.yml", "references.bib", "local.yaml"):
        shutil.copy(source / name, folder)
    return folder

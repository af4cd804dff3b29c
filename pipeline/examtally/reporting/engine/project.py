"""The reports as a Quarto project: what it says of each format, read for pandoc."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from examtally.reporting.engine import syntax
from examtally.reporting.engine.wording import yaml_mapping

HOUSE = "house"
"""The format extension that holds the one look: `_extensions/house`."""

PROFILE = "page"
"""The profile of one page by itself, as `examtally report` makes it."""

FORMATS = {"html": "html", "docx": "docx", "pdf": "typst"}
"""The formats of a report, and what the extension calls each."""

_QUARTO_ONLY = frozenset(
    {"theme", "minimal", "filters", "html-table-processing", "template-partials", "papersize", "embed-resources"}
)
_OF_A_REPORT = ("toc", "toc-depth", "number-sections", "csl", "nocite")
_VARIABLES = frozenset({"toc-title"})  # of pandoc's templates
_ADDED = frozenset({"_metadata.yml", "_metadata.yaml", "_brand.yml", "_brand.yaml"})
_PATHS = frozenset({"css", "csl", "include-after-body", "reference-doc"})


def given(name: str | Path) -> Path:
    """A file or folder that a parameter names: from the reports, or from where the command was typed."""
    path = Path(name)
    return path if path.exists() else Path(os.environ.get("PWD", ".")) / path


def pandoc_options(folder: Path, front: Mapping[str, Any], form: str) -> list[str]:
    """What the project, its extension and a report's front matter ask of one format, as options for pandoc.

    Raises ReportError with file and line for what in the project only Quarto knows.
    """
    project = yaml_mapping(folder / "_quarto.yml")
    syntax.check_project("_quarto.yml", (folder / "_quarto.yml").read_text(encoding="utf-8"), project)
    for name in sorted(_ADDED & {path.name for path in folder.iterdir()}):
        raise syntax.refuse(name, 1, "a file of its own for metadata or brand")
    home = Path("_extensions") / HOUSE
    formats = yaml_mapping(folder / home / "_extension.yml").get("contributes", {}).get("formats", {})
    name = FORMATS[form]
    asked: dict[str, list[Any]] = {}
    for part in ("common", name):
        _add(asked, formats.get(part) or {}, home)
    for source in (project, yaml_mapping(folder / f"_quarto-{PROFILE}.yml"), front):
        chosen = source.get("format")
        _add(asked, (chosen.get(f"{HOUSE}-{name}") if isinstance(chosen, dict) else None) or {}, Path())
    _add(asked, {key: front[key] for key in _OF_A_REPORT if key in front}, Path())
    options = [f"--lua-filter={home / 'house.lua'}"]
    if form == "pdf":
        options.append(f"--template={home / 'pandoc.typ'}")
    for key, values in asked.items():
        options += _said(key, values)
    if "lang" not in front:
        options.append(f"--metadata=lang:{project.get('lang', 'en')}")
    return options


def bibliography(folder: Path, front: Mapping[str, Any]) -> list[str]:
    """Where what a text cites is listed, as an option for pandoc."""
    named = front.get("bibliography") or yaml_mapping(folder / "_quarto.yml").get("bibliography")
    return [f"--bibliography={named}"] if named else []


def _add(asked: dict[str, list[Any]], block: object, home: Path) -> None:
    """Later words take the place of earlier ones; style sheets add up, as they do in Quarto."""
    if not isinstance(block, dict):  # the word `default`
        return
    for key, value in block.items():
        values = value if isinstance(value, list) else [value]
        fresh = [(home / str(one)).as_posix() if key in _PATHS else one for one in values]
        asked[key] = [*asked.get(key, []), *fresh] if key == "css" else fresh


def _said(key: str, values: list[Any]) -> list[str]:
    if key in _QUARTO_ONLY or values == [False]:
        return []
    if key in _VARIABLES:
        return [f"--metadata={key}:{values[0]}"]
    if values == [True]:
        return [f"--{key}"]
    return [f"--{key}={value}" for value in values]

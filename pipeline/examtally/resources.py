"""Where declared data lie: beside the package in a checkout, inside it in a wheel; and a group's own reports."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from importlib.metadata import version
from pathlib import Path

from examtally.errors import ReportError

_HERE = Path(__file__).resolve().parent
_REPORTS: ContextVar[Path | None] = ContextVar("folder of reports", default=None)


def resource(kind: str) -> Path:
    """Return the folder of packaged data called `kind` (schemas, reports, synthetic or docs)."""
    inside = _HERE / kind
    return inside if inside.is_dir() else _HERE.parents[1] / kind


@cache
def tool_version() -> str:
    """Return the version of this package; to look it up takes milliseconds."""
    return version("examtally")


def reports_folder() -> Path:
    """The folder that reports are made from: the package's, or a group's own copy."""
    return _REPORTS.get() or resource("reports")


@contextmanager
def reports_from(folder: Path | None) -> Iterator[None]:
    """While it lasts reports are made from a group's own copy of the project; from the package's where it is None.

    Raises ReportError where the folder is no such copy.
    """
    if folder is not None and not (folder / "_quarto.yml").is_file():
        raise ReportError(f"--reports: {folder} holds no _quarto.yml; copy the reports with `examtally report project`")
    token = _REPORTS.set(folder)
    try:
        yield
    finally:
        _REPORTS.reset(token)

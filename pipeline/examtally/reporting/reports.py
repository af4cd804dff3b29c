"""The reports there are, each one function."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from examtally.reporting.renderer import render
from examtally.results import read_results


def render_audit(
    results_dir: Path,
    out_dir: Path,
    *,
    formats: Sequence[str] = ("html",),
    source: Path | None = None,
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Render the audit report over a results folder and return the pages written, in the order of `formats`.

    Raises ResultsError where the folder is not a whole results folder and ReportError where the report cannot be made;
    nothing is written then. `source` names a folder, not there yet, in which text, figures and results are left.
    """
    read_results(results_dir)
    if progress is not None:
        progress("rendering the audit report")
    return render("audit", results_dir, out_dir, formats=formats, source=source)

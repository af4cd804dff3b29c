"""The manuscript rendered over the results folder of a study."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from examtally.reporting.renderer import render
from examtally.studies import read_study


def render_study(
    results_dir: Path,
    out_dir: Path,
    *,
    formats: Sequence[str] = ("html",),
    source: Path | None = None,
    progress: Callable[[str], object] | None = None,
) -> list[Path]:
    """Render the manuscript of a study as `study.<format>`; return the pages written, in the order of `formats`.

    Raises StudyError where the folder is not of a study, ReportError where its counts do not add up or the page cannot
    be made; nothing is written then.
    """
    read_study(results_dir)
    if progress is not None:
        progress("rendering the manuscript")
    return render("study", results_dir, out_dir, formats=formats, source=source)

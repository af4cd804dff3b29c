"""The command that renders the monthly quality report."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from examtally import terminal


def monthly(
    results: Annotated[Path, typer.Option("--results", help="Results folder that analyze wrote.", show_default=False)],
    period: Annotated[str, typer.Option("--period", help="The month, as 2026-03, or P012.", show_default=False)],
    out: Annotated[Path, typer.Option("--out", help="Folder to write the report to.", show_default=False)],
    actions: Annotated[
        Path | None,
        typer.Option("--actions", help="YAML with the committee's decisions; docs/monthly.md.", show_default=False),
    ] = None,
    form: Annotated[
        str, typer.Option("--format", help="Comma-separated: html (one file), docx, pdf (tagged).")
    ] = "html",
) -> None:
    """The monthly quality report: signals, decisions asked for, missed injuries, charts; for a quality committee."""
    from examtally.reporting import render_monthly

    formats = tuple(name.strip() for name in form.split(",") if name.strip())
    with terminal.progress() as say:
        made = render_monthly(results, out, period=period, actions=actions, formats=formats, progress=say)
    terminal.show_files(made)

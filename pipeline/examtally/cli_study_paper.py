"""What comes after a run: the manuscript, the bundle for a reader, and the bundle run again."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from examtally import terminal

app = typer.Typer()

Results = Annotated[Path, typer.Option("--results", help="Results folder that `study run` wrote.", show_default=False)]


@app.command()
def report(
    results: Results,
    out: Annotated[Path, typer.Option("--out", help="Folder to write the manuscript to.", show_default=False)],
    form: Annotated[
        str, typer.Option("--format", help="Comma-separated: html (one file), docx, pdf (tagged).")
    ] = "html",
    source: Annotated[
        Path | None,
        typer.Option("--source", help="Also leave the manuscript's source here, for `quarto render` by hand."),
    ] = None,
) -> None:
    """Write the draft of the paper: methods, flow diagram, tables, figures, checklist; gaps are the author's."""
    from examtally.reporting.study.rendering import render_study

    formats = tuple(name.strip() for name in form.split(",") if name.strip())
    with terminal.progress() as say:
        made = render_study(results, out, formats=formats, source=source, progress=say)
    terminal.show_files(made)

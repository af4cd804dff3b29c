"""What comes after a run: the manuscript, the bundle for a reader, and the bundle run again."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from examtally import cli_registry, terminal
from examtally.cli_registry import Wait

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


@app.command()
def bundle(
    results: Results,
    out: Annotated[Path, typer.Option("--out", help="Folder of the bundle; not there yet.", show_default=False)],
    earlier: Annotated[
        list[Path] | None,
        typer.Option("--earlier", help="An earlier bundle or release of this registry.", show_default=False),
    ] = None,
) -> None:
    """Make a Data Package: released aggregates, protocol, lock, versions and a script that repeats the numbers.

    Small counts are hidden; the log of what was hidden stands beside the bundle and stays inside.
    """
    from examtally.studies import write_bundle

    with terminal.progress() as say:
        made = write_bundle(results, out, earlier=earlier or (), progress=say)
    terminal.show_files(made)


@app.command()
def reproduce(
    folder: Annotated[Path, typer.Argument(help="The bundle.", metavar="BUNDLE", show_default=False)],
    registry: Annotated[Path, typer.Option("--registry", help="The registry, one DuckDB file.", show_default=False)],
    wait: Wait = 0,
) -> None:
    """Run a bundle again and compare: which figures differ, and which withdrawal or batch since then explains it.

    Exit code 1 where a figure differs. For the group alone: a changed count can speak of one person.
    """
    from examtally.studies import reproduce as run_again

    with terminal.progress() as say:
        found = run_again(folder, registry, patience=cli_registry.patience(wait), progress=say)
    print(found.text())
    if not found.is_same:
        raise typer.Exit(1)

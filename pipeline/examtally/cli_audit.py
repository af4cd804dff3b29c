"""The commands that render what the group reads of itself: the audit, examiners' sheets, the index of a folder."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from examtally import terminal
from examtally.errors import ReportError


class Audience(StrEnum):
    """For whom a report is made."""

    internal = "internal"
    release = "release"


def audit(
    results: Annotated[Path, typer.Option("--results", help="Results folder that analyze wrote.", show_default=False)],
    out: Annotated[Path, typer.Option("--out", help="Folder to write the report to.", show_default=False)],
    form: Annotated[
        str, typer.Option("--format", help="Comma-separated: html (one file), docx, pdf (tagged).")
    ] = "html",
    audience: Annotated[
        Audience, typer.Option("--audience", help="internal, or release: small counts hidden.")
    ] = Audience.internal,
    earlier: Annotated[
        list[Path] | None,
        typer.Option(
            "--earlier", help="With release: an earlier release folder; those in --out are known.", show_default=False
        ),
    ] = None,
    approved_by: Annotated[
        str | None,
        typer.Option(
            "--approved-by",
            help="With release: role (no name) that approved showing the table of everybody with its small counts.",
            show_default=False,
        ),
    ] = None,
    because: Annotated[
        str | None,
        typer.Option("--because", help="With --approved-by: the reason; kept in the log.", show_default=False),
    ] = None,
    source: Annotated[
        Path | None,
        typer.Option("--source", help="Also leave the report's source here, for `quarto render` by hand."),
    ] = None,
) -> None:
    """The audit: who was studied, accuracy of each maneuver, examiners, calibration, data quality, methods.

    For release: figures that may leave the group, as CSV files and a page, and a disclosure log that stays inside.
    """
    from examtally.disclosure.release import Approval
    from examtally.reporting import render_audit, render_release

    formats = tuple(name.strip() for name in form.split(",") if name.strip())
    with terminal.progress() as say:
        if audience is Audience.internal:
            if earlier or approved_by is not None or because is not None:
                raise ReportError("--earlier, --approved-by and --because belong to --audience release")
            made = render_audit(results, out, formats=formats, source=source, progress=say)
        else:
            if source is not None or (approved_by is None) != (because is None):
                raise ReportError("for release give --approved-by and --because together, and no --source")
            approval = Approval(approved_by, because) if approved_by is not None and because is not None else None
            made = render_release(results, out, earlier=earlier or (), approval=approval, formats=formats, progress=say)
    terminal.show_files(made)


def index(
    results: Annotated[Path, typer.Option("--results", help="Results folder that analyze wrote.", show_default=False)],
    folder: Annotated[Path, typer.Option("--in", help="The folder in which the reports lie.", show_default=False)],
) -> None:
    """A small site that opens from disk: an index of the reports in a folder, and the catalogue of maneuvers.

    The catalogue tells how each maneuver is done, what to mind, what is published and what was found here.
    """
    from examtally.reporting import render_shelf

    with terminal.progress() as say:
        made = render_shelf(results, folder, progress=say)
    terminal.show_files(made)


def examiner(
    results: Annotated[
        Path, typer.Option("--results", help="Results folder of analyze --with-examiners.", show_default=False)
    ],
    out: Annotated[
        Path, typer.Option("--out", help="Folder to write to; only its owner may enter it.", show_default=False)
    ],
    code: Annotated[
        str | None,
        typer.Option("--examiner", help="Coded identifier of one examiner; everybody without it.", show_default=False),
    ] = None,
    form: Annotated[str, typer.Option("--format", help="Comma-separated: html (one file), pdf (tagged).")] = "html",
) -> None:
    """An examiner's own sheet: own figures beside the others', what chance would do, what to practise.

    Private: for the examiner alone. Analyze with --last-periods 12 first.
    """
    from examtally.reporting import render_sheets

    formats = tuple(name.strip() for name in form.split(",") if name.strip())
    with terminal.progress() as say:
        made = render_sheets(results, out, examiner=code, formats=formats, progress=say)
    terminal.show_files(made)

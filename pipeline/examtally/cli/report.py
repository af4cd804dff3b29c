"""The commands that render what the group reads of itself: the audit, examiners' sheets, the index of a folder."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from examtally.cli import output
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
    with output.progress() as say:
        if audience is Audience.internal:
            if earlier or approved_by is not None or because is not None:
                raise ReportError("--earlier, --approved-by and --because belong to --audience release")
            made = render_audit(results, out, formats=formats, source=source, progress=say)
        else:
            if source is not None or (approved_by is None) != (because is None):
                raise ReportError("for release give --approved-by and --because together, and no --source")
            approval = Approval(approved_by, because) if approved_by is not None and because is not None else None
            made = render_release(results, out, earlier=earlier or (), approval=approval, formats=formats, progress=say)
    output.show_files(made)


def index(
    results: Annotated[Path, typer.Option("--results", help="Results folder that analyze wrote.", show_default=False)],
    folder: Annotated[Path, typer.Option("--in", help="The folder in which the reports lie.", show_default=False)],
) -> None:
    """A small site that opens from disk: an index of the reports in a folder, and the catalogue of maneuvers.

    The catalogue tells how each maneuver is done, what to mind, what is published and what was found here.
    """
    from examtally.reporting import render_shelf

    with output.progress() as say:
        made = render_shelf(results, folder, progress=say)
    output.show_files(made)


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
    with output.progress() as say:
        made = render_sheets(results, out, examiner=code, formats=formats, progress=say)
    output.show_files(made)


ResultsDir = Annotated[Path, typer.Option("--results", help="Results folder that analyze wrote.", show_default=False)]
Out = Annotated[Path, typer.Option("--out", help="Folder to write to.", show_default=False)]
Condition = Annotated[
    str | None,
    typer.Option("--condition", help="One condition by its code; all of them without it.", show_default=False),
]
Form = Annotated[str, typer.Option("--format", help="Comma-separated: html (one file), pdf (tagged).")]


def condition(results: ResultsDir, out: Out, code: Condition = None, form: Form = "html") -> None:
    """One page a condition, told as a story: each maneuver alone, which of two is better, what several say together.

    Then what the hands added to the history, how few maneuvers are enough, and what imaging by the exam would save and
    miss.
    """
    from examtally.reporting import render_conditions

    with output.progress() as say:
        made = render_conditions(results, out, condition=code, formats=_formats(form), progress=say)
    output.show_files(made)


def card(results: ResultsDir, out: Out, code: Condition = None, form: Form = "html,pdf") -> None:
    """One card a condition, one sheet of paper: what each finding makes of a suspicion, with intervals and expiry.

    Our own ratios where 30 people with the condition and 30 without are proven; published ranges, marked, until then.
    """
    from examtally.reporting import render_cards

    with output.progress() as say:
        made = render_cards(results, out, condition=code, formats=_formats(form), progress=say)
    output.show_files(made)


def _formats(form: str) -> tuple[str, ...]:
    return tuple(name.strip() for name in form.split(",") if name.strip())


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
    with output.progress() as say:
        made = render_monthly(results, out, period=period, actions=actions, formats=formats, progress=say)
    output.show_files(made)

"""The commands that render pages: the audit and its release, monthly report, conditions, cards, sheets, index, intake.

Each takes --results, --out and --format; `examtally report KIND --help` says in which formats a page is made.
"""

from __future__ import annotations

import gc
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from examtally.cli import output
from examtally.cli.options import (
    ApprovedBy,
    Because,
    Condition,
    Earlier,
    Format,
    Operator,
    Out,
    Reports,
    Results,
    Source,
    Wait,
    approval_of,
    listed,
    lock_wait,
)
from examtally.cli.stopping import entries_and, files_at, tell, whole_at
from examtally.errors import ReportError
from examtally.resources import reports_from

Actions = Annotated[
    Path | None,
    typer.Option(
        "--actions", help="YAML with the committee's decisions; see `examtally guide monthly`.", show_default=False
    ),
]

app = typer.Typer(no_args_is_help=True, help="Render a report from a results folder; reads no records.")


@app.callback()
def _seldom_collected() -> None:
    """Reports are made in seconds: to look for garbage seldom saves a tenth of them."""
    gc.set_threshold(50_000)


class Audience(StrEnum):
    """For whom a report is made."""

    internal = "internal"
    release = "release"


def formats(words: str, *legal: str) -> tuple[str, ...]:
    """The formats that --format names; raises ReportError where this page is not made in one of them."""
    named = listed(words)
    unknown = [word for word in named if word not in legal]
    if unknown or not named:
        problem = f"{', '.join(unknown)} is not made" if unknown else "no format is named"
        raise ReportError(f"--format: {problem}; choose from {', '.join(legal)}")
    quarto = shutil.which("quarto")
    if quarto is not None:
        output.complain(f"Pages are set by a program found on PATH: {quarto}")
    return named


@contextmanager
def _made_of(reports: Path | None) -> Iterator[None]:
    """While it lasts pages are made of the group's own texts where it has some, and results are read once."""
    from examtally.results.folder import read_once

    with reports_from(reports), read_once():
        yield


def _make(render: Callable[..., list[Path]], results: Path, out: Path, reports: Path | None, **options: object) -> None:
    """Render pages of a results folder, with the group's own texts where it has some, and say where they are."""
    with _made_of(reports), output.progress(files_at(out)) as say:
        made = render(results, out, **options, progress=say)
    output.show_files(made)


@app.command()
def audit(
    results: Results,
    out: Out,
    form: Format = "html",
    audience: Annotated[
        Audience, typer.Option("--audience", help="internal, or release: what may leave the group.")
    ] = Audience.internal,
    registry: Annotated[
        Path | None,
        typer.Option(
            "--registry", help="With release: the registry, whose log keeps what went out.", show_default=False
        ),
    ] = None,
    earlier: Earlier = None,
    approved_by: ApprovedBy = None,
    because: Because = None,
    operator: Operator = None,
    wait: Wait = 0,
    source: Source = None,
    reports: Reports = None,
) -> None:
    """The audit: who was studied, accuracy of each maneuver, examiners, calibration, data quality, methods.

    As html, docx or pdf. For release: figures that may leave the group, as CSV files and a page, and a disclosure log
    that stays inside.
    """
    from examtally.reporting import render_audit, render_release

    chosen = formats(form, "html", "docx", "pdf")
    if audience is Audience.internal:
        if earlier or any(one is not None for one in (registry, operator, approved_by, because)):
            raise ReportError(
                "--registry, --operator, --earlier, --approved-by and --because belong to --audience release"
            )
        with _made_of(reports), output.progress(files_at(out)) as say:
            made = render_audit(results, out, formats=chosen, source=source, progress=say)
    else:
        if registry is None or source is not None:
            raise ReportError("for release name the registry, whose log keeps what went out, and no --source")
        approval = approval_of(approved_by, because)
        with _made_of(reports), output.progress(entries_and(registry, files_at(out))) as say:
            made = render_release(
                results,
                out,
                registry=registry,
                earlier=earlier or (),
                approval=approval,
                operator=operator,
                formats=chosen,
                lock_wait=lock_wait(wait),
                progress=say,
            )
    output.show_files(made)


@app.command()
def monthly(
    results: Results,
    period: Annotated[str, typer.Option("--period", help="The month, as 2026-03, or P012.", show_default=False)],
    out: Out,
    actions: Actions = None,
    registry: Annotated[
        Path | None, typer.Option("--registry", help="The registry, to print its newest seal.", show_default=False)
    ] = None,
    form: Format = "html",
    reports: Reports = None,
) -> None:
    """The monthly quality report: signals, decisions asked for, missed injuries, charts; for a quality committee.

    As html, docx or pdf.
    """
    from examtally.reporting import render_monthly

    chosen = formats(form, "html", "docx", "pdf")
    seal = None if registry is None else _seal(registry)
    _make(render_monthly, results, out, reports, period=period, actions=actions, seal=seal, formats=chosen)


def _seal(registry: Path) -> str:
    """The newest seal of a registry, whose database is not loaded without one."""
    from examtally.registry.accounts import newest_seal

    return newest_seal(registry)


@app.command()
def actions(
    results: Results,
    out: Out,
    decided: Actions = None,
    form: Format = "html",
    reports: Reports = None,
) -> None:
    """Conclusions and actions: what to keep, reteach, standardize and measure again, and what came of earlier ones.

    As html, docx or pdf.
    """
    from examtally.reporting import render_actions

    _make(render_actions, results, out, reports, actions=decided, formats=formats(form, "html", "docx", "pdf"))


@app.command()
def change(results: Results, out: Out, form: Format = "html", reports: Reports = None) -> None:
    """Whether declared interventions changed the exam: teaching, a new standard, a new scanner; and what else changed.

    Analyze with --interventions first. As html or pdf.
    """
    from examtally.reporting.change_page import render_change

    _make(render_change, results, out, reports, formats=formats(form, "html", "pdf"))


@app.command()
def condition(
    results: Results, out: Out, code: Condition = None, form: Format = "html", reports: Reports = None
) -> None:
    """One page a condition: each maneuver alone, which of two is better, what several say together.

    Then what the exam adds to the history, how few maneuvers are enough, and what imaging by the exam would save and
    miss. As html or pdf.
    """
    from examtally.reporting import render_conditions

    _make(render_conditions, results, out, reports, condition=code, formats=formats(form, "html", "pdf"))


@app.command()
def card(
    results: Results, out: Out, code: Condition = None, form: Format = "html,pdf", reports: Reports = None
) -> None:
    """One card a condition, one sheet of paper: what each finding makes of a suspicion, with intervals and expiry.

    Our own ratios where 30 people with the condition and 30 without are confirmed; published ranges, marked, until
    then. As html or pdf.
    """
    from examtally.reporting import render_cards

    _make(render_cards, results, out, reports, condition=code, formats=formats(form, "html", "pdf"))


@app.command()
def examiner(
    results: Results,
    out: Out,
    code: Annotated[
        str | None,
        typer.Option("--examiner", help="Coded identifier of one examiner; everybody without it.", show_default=False),
    ] = None,
    registry: Annotated[
        Path | None,
        typer.Option(
            "--registry",
            help="With --examiner: list confirmed cases to look at again; noted in the registry's log.",
            show_default=False,
        ),
    ] = None,
    operator: Operator = None,
    form: Format = "html",
    reports: Reports = None,
) -> None:
    """An examiner's own sheet: own figures beside the others', what chance would do, what to practice.

    Private: for the examiner alone, in a folder that only its owner may enter. Analyze with --with-examiners, and best
    with --last-periods 12, first. As html or pdf.
    """
    from examtally.reporting import render_sheets

    chosen = formats(form, "html", "pdf")
    truth = files_at(out) if registry is None else entries_and(registry, files_at(out))
    with _made_of(reports), output.progress(truth) as say:
        made = render_sheets(
            results, out, examiner=code, registry=registry, operator=operator, formats=chosen, progress=say
        )
    output.show_files(made)


@app.command()
def supervisor(results: Results, out: Out, form: Format = "html", reports: Reports = None) -> None:
    """For supervisors: what the learners as a group find hard, with how it is done. Names nobody.

    As html or pdf; at least three learners stand behind it.
    """
    from examtally.reporting.supervisor_page import render_supervisor

    _make(render_supervisor, results, out, reports, formats=formats(form, "html", "pdf"))


@app.command()
def lead(results: Results, out: Out, form: Format = "html", reports: Reports = None) -> None:
    """The audit lead's own copy: examiners one by one, by a code drawn anew, and pairs of them.

    Private: for the audit lead alone, in a folder that only its owner may enter; no page of the group has such rows.
    Analyze with --with-examiners first. As html or pdf.
    """
    from examtally.reporting import render_lead

    _make(render_lead, results, out, reports, formats=formats(form, "html", "pdf"))


@app.command()
def index(
    results: Results,
    out: Annotated[
        Path, typer.Option("--out", "--in", help="The folder in which the reports lie.", show_default=False)
    ],
    form: Format = "html",
    reports: Reports = None,
) -> None:
    """A small site that opens from disk: an index of the reports in a folder, and the catalog of maneuvers.

    The catalog tells how each maneuver is done, what to mind, what is published and what was found here. As html.
    """
    from examtally.reporting import render_shelf

    formats(form, "html")
    _make(render_shelf, results, out, reports)


@app.command()
def network(
    results: Annotated[Path, typer.Option("--results", help="Folder that `pool` wrote.", show_default=False)],
    out: Out,
    site: Annotated[
        str | None,
        typer.Option("--site", help="Set this group beside the others; from five others on.", show_default=False),
    ] = None,
    form: Format = "html",
    reports: Reports = None,
) -> None:
    """Several groups together: accuracy over all, what a further group would find, each beside the others.

    As html, docx or pdf.
    """
    from examtally.reporting import render_network

    _make(render_network, results, out, reports, site=site, formats=formats(form, "html", "docx", "pdf"))


@app.command()
def intake(
    out: Out,
    results: Annotated[
        Path | None, typer.Option("--results", help="Results folder that analyze wrote.", show_default=False)
    ] = None,
    registry: Annotated[
        Path | None,
        typer.Option("--registry", help="Or the registry itself, before an analysis.", show_default=False),
    ] = None,
    batch: Annotated[
        int | None, typer.Option("--batch", help="One batch; every batch without it.", show_default=False)
    ] = None,
    form: Format = "html",
    wait: Wait = 0,
    reports: Reports = None,
) -> None:
    """The intake check, a page a batch: each expectation in words, counts, and the trend over the batches.

    From a results folder, or from the registry before anything was analyzed. As html.
    """
    from examtally.registry import open_registry
    from examtally.registry.scratch import scratch
    from examtally.reporting import render_intake
    from examtally.results import analyze

    formats(form, "html")
    if (results is None) == (registry is None):
        raise ReportError("give one of --results (a results folder) and --registry (before an analysis)")
    with _made_of(reports), output.progress(files_at(out)) as say:
        if results is not None:
            made = render_intake(results, out, batch=batch, progress=say)
        if registry is not None:
            with scratch() as folder:
                with open_registry(registry, lock_wait=lock_wait(wait)) as opened:
                    found = analyze(opened, only=("batches", "held_back", "intake_checks"))
                made = render_intake(found.write(folder / "results"), out, batch=batch, progress=say)
    output.show_files(made)


@app.command()
def project(
    out: Out,
    results: Annotated[
        Path | None, typer.Option("--results", help="Results to lay beside the reports.", show_default=False)
    ] = None,
) -> None:
    """Copy the texts of all reports, a Quarto project, into a folder of your own, to change and render there.

    `examtally report audit --reports DIR` renders a copy, and so does `quarto render DIR` where Quarto is installed.
    """
    from examtally.reporting import copy_project

    tell(whole_at(out))
    output.show_files([copy_project(out, results)])

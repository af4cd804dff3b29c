"""The commands of an agreement day: how large, what goes to it, what came of it."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from examtally.cli import output
from examtally.cli.options import Catalogue, Format, Joint, Protocol, listed
from examtally.cli.report import formats
from examtally.cli.stopping import files_at, whole_at
from examtally.errors import ExamtallyError

app = typer.Typer(no_args_is_help=True, help="An agreement day: several examiners each examine the same participants.")
_UP_TO = 8


class Statistic(StrEnum):
    """What is to be estimated."""

    kappa = "kappa"
    ac1 = "ac1"
    icc = "icc"


class Sides(StrEnum):
    """Which sides of a participant are examined."""

    left = "left"
    right = "right"
    both = "both"


@app.command()
def plan(
    statistic: Annotated[Statistic, typer.Option("--statistic", help="kappa, ac1, or icc for a measure.")],
    value: Annotated[float, typer.Option("--value", help="The agreement you expect, such as 0.6.")],
    half_width: Annotated[float, typer.Option("--half-width", help="Half the width of the 95 % interval you want.")],
    positive: Annotated[float, typer.Option("--positive", help="Share of positive findings you expect.")] = 0.5,
    examiners: Annotated[
        int | None, typer.Option("--examiners", help="So many examiners; 2 to 8 without it.", show_default=False)
    ] = None,
) -> None:
    """How many participants for how many examiners, so that the interval is as narrow as asked."""
    from examtally.analytics.agreement.session_size import session_size

    numbers = range(2, _UP_TO + 1) if examiners is None else [examiners]
    try:
        sizes = [session_size(statistic.value, value, half_width, number, positive) for number in numbers]
    except ValueError as fault:
        raise ExamtallyError(f"{fault}; see `examtally agree plan --help`") from None
    for size in sizes:
        if size.subjects is None:
            print(f"{size.examiners} examiners: no day of 10,000 participants or fewer is enough")
        else:
            print(
                f"{size.examiners} examiners: {size.subjects} participants, {size.exams} exams, ±{size.half_width:.3f}"
            )
    print("One side of each participant. Both sides of one participant count for less than two participants.")


@app.command()
def pack(
    maneuvers: Annotated[str, typer.Option("--maneuvers", help="Codes of the catalog, comma-separated.")],
    examiners: Annotated[int, typer.Option("--examiners", help="How many examine.")],
    participants: Annotated[int, typer.Option("--participants", help="How many are examined.")],
    out: Annotated[Path, typer.Option("--out", help="New folder for the pack.", show_default=False)],
    side: Annotated[Sides, typer.Option("--side", help="Which side of each participant.")] = Sides.right,
    seed: Annotated[int, typer.Option("--seed", help="Gives the same orders again.")] = 1,
    paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "a4",
    joint: Joint = None,
    catalogue: Catalogue = None,
) -> None:
    """Write what goes to the day: a form that works offline, paper sheets, each examiner's random order.

    Examiners and participants are numbered; who is who stays on a list of your own.
    """
    from examtally.contracts.contract import contract_for
    from examtally.reporting.agreement_day import write_pack
    from examtally.workbook.agreement_form import plan_day

    contract = contract_for(joint, catalogue)
    sides = ("left", "right") if side is Sides.both else (side.value,)
    day = plan_day(contract, listed(maneuvers), examiners=examiners, participants=participants, sides=sides, seed=seed)
    with output.progress(whole_at(out)):
        made = write_pack(out, day, contract, paper=paper)
    output.show_files(made)
    print("Put the saved or typed files of readings in one folder, then: examtally agree report FOLDER --out PAGES")


@app.command()
def report(
    readings: Annotated[
        list[Path], typer.Argument(help="CSV files of readings, or the folder that holds them.", show_default=False)
    ],
    out: Annotated[Path, typer.Option("--out", help="Folder for the report and its tables.", show_default=False)],
    protocol: Protocol = None,
    form: Format = "html",
) -> None:
    """Check the readings of a day and write its report: agreement, what to standardize, measures.

    The readings stay out of the registry: the same joint examined many times is no clinic. As html or pdf.
    """
    from examtally.contracts.contract import load_contract
    from examtally.contracts.protocol.protocol import load_protocol
    from examtally.ingestion.agreement_day import read_readings
    from examtally.reporting.agreement_day import render_agreement_day
    from examtally.results.agreement_day import analyze_day

    chosen = formats(form, "html", "pdf")
    settings = load_protocol(protocol)
    contract = load_contract(settings.joint)
    with output.progress(files_at(out)):
        made = render_agreement_day(analyze_day(read_readings(readings, contract), settings), out, formats=chosen)
    output.show_files(made)

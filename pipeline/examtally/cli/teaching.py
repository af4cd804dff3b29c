"""Commands for who teaches: how a change is to be seen, and a set of confirmed cases to learn from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from examtally.cli import output
from examtally.cli.options import ApprovedBy, Because, Operator, Protocol, Registry, Wait, approval_of, lock_wait
from examtally.cli.stopping import entries_and, files_at
from examtally.errors import ExamtallyError

change_app = typer.Typer(
    no_args_is_help=True, help="Interventions: declare, plan, and see on `report change` what came of them."
)
_KNEES = (5, 10, 20, 40, 80)
_ENOUGH = 0.8


@change_app.callback()
def _group() -> None:
    """Interventions: declare, plan, and see on `report change` what came of them."""


@change_app.command()
def plan(
    before: Annotated[float, typer.Option("--before", help="The share before, such as 0.70.")],
    gain: Annotated[float, typer.Option("--gain", help="The change you hope for, such as 0.15.")],
    examiners: Annotated[int, typer.Option("--examiners", help="Examiners reached.")],
    knees: Annotated[
        int | None,
        typer.Option(
            "--knees", help="Joints an examiner before, and as many after; several without it.", show_default=False
        ),
    ] = None,
    spread: Annotated[
        float, typer.Option("--spread", help="How differently examiners change: SD of the true change.")
    ] = 0.05,
) -> None:
    """Say with what power a change would be found, and how many exams an examiner it takes.

    For sensitivity count verified joints with the condition, for specificity verified joints without it.
    """
    from examtally.analytics.change.within import change_power

    try:
        powers = {n: change_power(before, gain, examiners, n, spread) for n in (_KNEES if knees is None else (knees,))}
    except ValueError as fault:
        raise ExamtallyError(f"{fault}; see `examtally change plan --help`") from None
    for number, power in powers.items():
        print(f"{number} an examiner before and after: power {power:.0%}")
    if max(powers.values()) < _ENOUGH:
        print("Not feasible like this: wait for more exams, reach more examiners, or look for a larger change.")
    print("Write the intervention down before it takes place: `examtally guide teaching`.")


def teach(
    registry: Registry,
    out: Annotated[Path, typer.Option("--out", help="Folder for the teaching set.", show_default=False)],
    blueprint: Annotated[
        Path | None,
        typer.Option("--blueprint", help="YAML with how many cases of what kind; see `examtally guide teaching`."),
    ] = None,
    protocol: Protocol = None,
    approved_by: ApprovedBy = None,
    because: Because = None,
    operator: Operator = None,
    wait: Wait = 0,
) -> None:
    """Make one offline page of confirmed cases: state a probability before and after each finding, then see the answer.

    Only with the committee's approval, which the registry's log keeps, and only cases that 11 people or more could be.
    What a learner answers stays with the learner.
    """
    from examtally.reporting.teaching import write_teaching_set

    with output.progress(entries_and(registry, files_at(out))) as say:
        page, drawn = write_teaching_set(
            registry,
            out,
            protocol,
            blueprint,
            approval=approval_of(approved_by, because),
            operator=operator,
            lock_wait=lock_wait(wait),
            progress=say,
        )
    print(f"{page.resolve()}: {len(drawn.cases)} cases")
    for kind, number in drawn.given.items():
        print(f"  {kind}: {number} of {drawn.asked.get(kind, 0)} asked for")

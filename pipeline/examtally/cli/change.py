"""The command that plans how a change is to be seen; the page itself is `report change`."""

from __future__ import annotations

from typing import Annotated

import typer

from examtally.errors import ExamtallyError

app = typer.Typer(
    no_args_is_help=True, help="Interventions: declare, plan, and see on `report change` what came of them."
)
_KNEES = (5, 10, 20, 40, 80)
_ENOUGH = 0.8


@app.callback()
def _group() -> None:
    """Interventions: declare, plan, and see on `report change` what came of them."""


@app.command()
def plan(
    before: Annotated[float, typer.Option("--before", help="The share before, such as 0.70.")],
    gain: Annotated[float, typer.Option("--gain", help="The change you hope for, such as 0.15.")],
    examiners: Annotated[int, typer.Option("--examiners", help="Examiners reached.")],
    knees: Annotated[
        int | None,
        typer.Option(
            "--knees", help="Knees an examiner before, and as many after; several without it.", show_default=False
        ),
    ] = None,
    spread: Annotated[
        float, typer.Option("--spread", help="How differently examiners change: SD of the true change.")
    ] = 0.05,
) -> None:
    """Say with what power a change would be found, and how many knees an examiner it takes.

    For sensitivity count verified knees with the condition, for specificity verified knees without it.
    """
    from examtally.analytics.change.power import change_power

    try:
        powers = {n: change_power(before, gain, examiners, n, spread) for n in (_KNEES if knees is None else (knees,))}
    except ValueError as fault:
        raise ExamtallyError(f"{fault}; see `examtally change plan --help`") from None
    for number, power in powers.items():
        print(f"{number} knees an examiner before and after: power {power:.0%}")
    if max(powers.values()) < _ENOUGH:
        print("Not feasible like this: wait for more knees, reach more examiners, or look for a larger change.")
    print("Write the intervention down before it takes place: `examtally guide teaching`.")

"""The commands that tell of one condition: its page, and its one-page card."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from examtally import terminal

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

    with terminal.progress() as say:
        made = render_conditions(results, out, condition=code, formats=_formats(form), progress=say)
    terminal.show_files(made)


def card(results: ResultsDir, out: Out, code: Condition = None, form: Form = "html,pdf") -> None:
    """One card a condition, one sheet of paper: what each finding makes of a suspicion, with intervals and expiry.

    Our own ratios where 30 people with the condition and 30 without are proven; published ranges, marked, until then.
    """
    from examtally.reporting import render_cards

    with terminal.progress() as say:
        made = render_cards(results, out, condition=code, formats=_formats(form), progress=say)
    terminal.show_files(made)


def _formats(form: str) -> tuple[str, ...]:
    return tuple(name.strip() for name in form.split(",") if name.strip())

"""The command that opens cases: exams whose findings the reference contradicted."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from examtally import cli_registry, terminal_review
from examtally.cli_registry import Json, Operator, Registry, Wait

app = typer.Typer()


@app.command()
def review(
    registry: Registry,
    examiner: Annotated[
        str | None, typer.Option("--examiner", help="Coded identifier of one examiner.", show_default=False)
    ] = None,
    period: Annotated[str | None, typer.Option("--period", help="One reporting period.", show_default=False)] = None,
    protocol: Annotated[
        Path | None, typer.Option("--protocol", help="YAML with what differs from the defaults.", show_default=False)
    ] = None,
    operator: Operator = None,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """List exam codes whose core finding or stated probability the reference contradicted, missed conditions first.

    For looking at the case again, together and without blame; a contradicted finding is not always a wrong one. Each
    opening stands in the registry's log. Never part of a release.
    """
    from examtally.contracts import load_contract
    from examtally.contracts.protocol import load_protocol
    from examtally.results.review import review as open_cases

    settings = load_protocol(protocol, load_contract())
    found = open_cases(
        registry, settings, examiner=examiner, period=period, operator=operator, patience=cli_registry.patience(wait)
    )
    terminal_review.show_review(found, as_json=as_json)

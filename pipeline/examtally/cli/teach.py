"""The command that makes a teaching set of confirmed cases."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from examtally.cli import output
from examtally.cli.options import ApprovedBy, Because, Operator, Protocol, Registry, Wait, approval_of, lock_wait
from examtally.cli.stopping import entries_and, files_at


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
    from examtally.contracts.contract import load_contract
    from examtally.contracts.protocol.protocol import load_protocol
    from examtally.contracts.protocol.teaching import load_blueprint
    from examtally.reporting.teaching import write_teaching_set

    contract = load_contract()
    with output.progress(entries_and(registry, files_at(out))) as say:
        page, drawn = write_teaching_set(
            registry,
            out,
            load_protocol(protocol, contract),
            load_blueprint(blueprint, contract),
            approval=approval_of(approved_by, because),
            operator=operator,
            lock_wait=lock_wait(wait),
            progress=say,
        )
    print(f"{page.resolve()}: {len(drawn.cases)} cases")
    for kind, number in drawn.given.items():
        print(f"  {kind}: {number} of {drawn.asked.get(kind, 0)} asked for")

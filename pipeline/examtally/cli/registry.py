"""Commands that keep a registry of record: what is in it, what is held back, who withdraws, whether it is sound."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from examtally.cli import output, output_registry
from examtally.errors import ExamtallyError

if TYPE_CHECKING:
    from examtally.registry.lock_wait import Patience


app = typer.Typer()

Registry = Annotated[Path, typer.Option("--registry", help="The registry, one DuckDB file.", show_default=False)]
Json = Annotated[bool, typer.Option("--json", help="Print JSON on standard output, for scripts.")]
Wait = Annotated[
    float, typer.Option("--wait", min=0, help="Seconds to wait for a registry that another program holds.")
]
Operator = Annotated[
    str | None,
    typer.Option("--operator", help="Coded identifier of who does this; kept in the log.", show_default=False),
]
AllowHeld = Annotated[
    float | None,
    typer.Option(
        "--allow-held",
        min=0,
        max=1,
        help="Share of lines that may be held back before the whole batch is refused; with a mapping its own, or 0.05.",
        show_default=False,
    ),
]
Amend = Annotated[
    bool,
    typer.Option("--amend", help="Lines that differ from what is stored replace it; the earlier version is kept."),
]


def patience(seconds: float) -> Patience:
    """Return how long to wait; whom for is said in one line."""
    from examtally.registry.lock_wait import Patience

    return Patience(seconds, output.complain)


@app.command()
def batches(
    registry: Registry,
    log: Annotated[bool, typer.Option("--log", help="Print the log of who did what instead.")] = False,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """List the batches of a registry: when they came, by whom, where their lines went."""
    from examtally.registry.accounts import list_batches, list_log

    if log:
        output_registry.show_log(list_log(registry, patience=patience(wait)), as_json=as_json)
    else:
        output_registry.show_batches(list_batches(registry, patience=patience(wait)), as_json=as_json)


@app.command()
def held(
    registry: Registry,
    batch: Annotated[int | None, typer.Option("--batch", help="One batch; all not yet retried without it.")] = None,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """List the lines held back or in conflict, by table, rule and known examiner: what to mend in the export."""
    from examtally.registry.accounts import list_held

    output_registry.show_held(list_held(registry, batch, patience=patience(wait)), as_json=as_json)


@app.command()
def retry(
    paths: Annotated[list[Path], typer.Argument(help="The mended files.", show_default=False)],
    registry: Registry,
    batch: Annotated[
        int | None, typer.Option("--batch", help="The batch they mend; the last with held lines without it.")
    ] = None,
    mapping: Annotated[Path | None, typer.Option("--mapping", help="The mapping file of the export.")] = None,
    operator: Operator = None,
    amend: Amend = False,
    allow_held: AllowHeld = None,
    wait: Wait = 0,
) -> None:
    """Ingest mended files and say, rule by rule, what was held back then and what is now."""
    from examtally.ingestion import ingest
    from examtally.registry.accounts import list_held

    before = list_held(registry, batch, patience=patience(wait))
    if not before:
        raise ExamtallyError("no line is held back there; send new files with `examtally ingest`")
    number = max(group.batch_no for group in before)
    with output.progress() as say:
        report = ingest(
            paths,
            registry,
            mapping=mapping,
            operator=operator,
            amend=amend,
            allow_held=allow_held,
            retries=number,
            patience=patience(wait),
            progress=say,
        )
    output.show_batch(report, as_json=False, is_dry_run=False)
    output_registry.show_retry(number, [group for group in before if group.batch_no == number], report)


@app.command()
def undo(
    registry: Registry,
    operator: Operator = None,
    wait: Wait = 0,
) -> None:
    """Take the last batch back: its lines go, and what it replaced or released is as before."""
    from examtally.registry.undo import undo as take_back

    with output.progress() as say:
        done = take_back(registry, operator=operator, patience=patience(wait), progress=say)
    output_registry.show_undone(done)


@app.command()
def withdraw(
    participant: Annotated[
        str, typer.Argument(help="Coded identifier of the participant; - reads it from standard input.")
    ],
    registry: Registry,
    stop: Annotated[bool, typer.Option("--stop", help="Take nothing new; what is stored stays.")] = False,
    erase: Annotated[bool, typer.Option("--erase", help="Take nothing new and remove every trace.")] = False,
    operator: Operator = None,
    wait: Wait = 0,
) -> None:
    """A participant withdraws. Say which: --stop, or --erase, which writes the registry's file anew."""
    from examtally.registry.accounts import list_batches
    from examtally.registry.withdrawal import withdraw as take_out

    if stop == erase:
        raise ExamtallyError("say one of --stop (nothing new is taken) and --erase (every trace is removed)")
    code = sys.stdin.readline().strip() if participant == "-" else participant
    with output.progress() as say:
        done = take_out(registry, code, erase=erase, operator=operator, patience=patience(wait), progress=say)
    known = list_batches(registry, patience=patience(wait)) if done.batches else ()
    output_registry.show_withdrawal(done, [one for one in known if one.batch_no in done.batches])


@app.command()
def verify(registry: Registry, wait: Wait = 0, as_json: Json = False) -> None:
    """Read every block of a registry and check fingerprints, keys, references, accounts and the log."""
    from examtally.registry.verifying import verify as check

    found = check(registry, patience=patience(wait))
    output_registry.show_verification(found, as_json=as_json)
    if found.faults:
        raise typer.Exit(4)


def intake(
    registry: Registry,
    out: Annotated[Path, typer.Option("--out", help="Folder to write the pages to.", show_default=False)],
    batch: Annotated[int | None, typer.Option("--batch", help="One batch; every batch without it.")] = None,
    wait: Wait = 0,
) -> None:
    """The intake check, a page a batch: each expectation in words, counts, and the trend over the batches."""
    from tempfile import TemporaryDirectory

    from examtally.registry import open_registry
    from examtally.reporting import render_intake
    from examtally.results import analyze

    with output.progress() as say, TemporaryDirectory(prefix="examtally-intake-") as folder:
        with open_registry(registry, patience=patience(wait)) as opened:
            results = analyze(opened, only=("batches", "held_back", "intake_checks"))
        made = render_intake(results.write(Path(folder) / "results"), out, batch=batch, progress=say)
    output.show_files(made)


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
    from examtally.contracts.protocol.protocol import load_protocol
    from examtally.results.review import review as open_cases

    settings = load_protocol(protocol, load_contract())
    found = open_cases(registry, settings, examiner=examiner, period=period, operator=operator, patience=patience(wait))
    output_registry.show_review(found, as_json=as_json)

"""Commands that keep a registry of record: what is in it, what is held back, who withdraws, whether it is sound."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from examtally.cli import output, output_records, output_registry
from examtally.cli.options import AllowHeld, Amend, BlankCorrects, Json, Mapping, Operator, Registry, Wait, lock_wait
from examtally.cli.stopping import entries_of
from examtally.errors import ExamtallyError


def batches(
    registry: Registry,
    log: Annotated[bool, typer.Option("--log", help="Print the log of who did what instead.")] = False,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """List the batches of a registry: when they came, by whom, where their lines went."""
    from examtally.registry.accounts import list_batches, list_log

    if log:
        output_registry.show_log(list_log(registry, lock_wait=lock_wait(wait)), as_json=as_json)
    else:
        output_registry.show_batches(list_batches(registry, lock_wait=lock_wait(wait)), as_json=as_json)


def held(
    registry: Registry,
    batch: Annotated[int | None, typer.Option("--batch", help="One batch; all not yet retried without it.")] = None,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """List the lines held back or in conflict, by table, rule and known examiner: what to mend in the export."""
    from examtally.registry.accounts import list_held

    output_registry.show_held(list_held(registry, batch, lock_wait=lock_wait(wait)), as_json=as_json)


def retry(
    paths: Annotated[list[Path], typer.Argument(help="The mended files.", show_default=False)],
    registry: Registry,
    batch: Annotated[
        int | None, typer.Option("--batch", help="The batch they mend; the last with held lines without it.")
    ] = None,
    mapping: Mapping = None,
    operator: Operator = None,
    amend: Amend = None,
    blank_corrects: BlankCorrects = False,
    allow_held: AllowHeld = None,
    wait: Wait = 0,
) -> None:
    """Ingest mended files and say, rule by rule, what was held back then and what is now."""
    from examtally.ingestion import ingest
    from examtally.registry.accounts import list_held

    before = list_held(registry, batch, lock_wait=lock_wait(wait))
    if not before:
        raise ExamtallyError("no line is held back there; send new files with `examtally ingest`")
    number = max(group.batch_no for group in before)
    with output.progress(entries_of(registry)) as say:
        report = ingest(
            paths,
            registry,
            mapping=mapping,
            operator=operator,
            amend=amend or False,
            blank_is_a_correction=blank_corrects,
            allow_held=allow_held,
            retries=number,
            lock_wait=lock_wait(wait),
            progress=say,
        )
    output_records.show_batch(report, as_json=False, is_dry_run=False)
    output_registry.show_retry(
        number, [group for group in before if group.batch_no == number], list_held(registry, report.batch_no)
    )


def undo(
    registry: Registry,
    operator: Operator = None,
    wait: Wait = 0,
) -> None:
    """Take the last batch back: its lines go, and what it replaced or released is as before."""
    from examtally.registry.undo import undo as take_back

    with output.progress(entries_of(registry)) as say:
        done = take_back(registry, operator=operator, lock_wait=lock_wait(wait), progress=say)
    output_registry.show_undone(done)


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
    with output.progress(entries_of(registry)) as say:
        done = take_out(registry, code, erase=erase, operator=operator, lock_wait=lock_wait(wait), progress=say)
    known = list_batches(registry, lock_wait=lock_wait(wait)) if done.batches else ()
    output_registry.show_withdrawal(done, [one for one in known if one.batch_no in done.batches])


def verify(
    registry: Registry,
    expect: Annotated[
        str | None,
        typer.Option("--expect", help="A seal noted earlier, as ingest printed it; the log must hold it."),
    ] = None,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """Read every block of a registry and check fingerprints, keys, references, accounts and the log."""
    from examtally.registry.verifying import verify as check

    found = check(registry, expect=expect, lock_wait=lock_wait(wait))
    output_registry.show_verification(found, as_json=as_json)
    if found.faults:
        raise typer.Exit(4)

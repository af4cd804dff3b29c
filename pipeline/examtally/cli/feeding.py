"""The commands of every month: take in what is new of each source, and the month in one call."""

from __future__ import annotations

from typing import Annotated

import typer

from examtally.cli import output, output_records
from examtally.cli.options import Amend, BlankCorrects, Operator, Registry, SecondEngine, Wait, lock_wait
from examtally.cli.settings import needed_settings
from examtally.cli.stopping import entries_and, entries_of, files_at


def feed(
    registry: Registry,
    source: Annotated[
        list[str] | None, typer.Option("--source", help="Only this source; may be repeated.", show_default=False)
    ] = None,
    operator: Operator = None,
    amend: Amend = None,
    blank_corrects: BlankCorrects = False,
    second_engine: SecondEngine = False,
    wait: Wait = 0,
) -> None:
    """Take in what is new of every source in examtally.toml, each through its own mapping.

    A file that was taken in before is passed over. A batch with a line that differs from what is stored is refused as a
    whole, until --amend says which columns are right in the new files.
    """
    from examtally.ingestion.feeding import feed as take_in

    settings = needed_settings()
    with output.progress(entries_of(registry)) as say:
        done = take_in(
            settings,
            registry,
            only=source or (),
            amend=amend or False,
            blank_is_a_correction=blank_corrects,
            second_engine=second_engine,
            operator=operator,
            lock_wait=lock_wait(wait),
            progress=say,
        )
    for one in done:
        print(f"Source {one.source}: {one.files} new files, {one.known} taken in before.")
        if one.batch is not None:
            output_records.show_batch(one.batch, as_json=False, is_dry_run=False)


def month(
    period: Annotated[
        str | None, typer.Option("--period", help="The month of the page; the newest without it.", show_default=False)
    ] = None,
    wait: Wait = 0,
) -> None:
    """The month in one call: feed, analysis, monthly page and index, as examtally.toml says. Five lines say what came.

    It stops before anything doubtful is stored: a line that differs from what is stored, or too many held back.
    """
    from examtally.month import make_month

    settings = needed_settings()
    written = files_at(*(path for path in (settings.results, settings.reports) if path is not None))
    truth = written if settings.registry is None else entries_and(settings.registry, written)
    with output.progress(truth) as say:
        made = make_month(settings, period=period, lock_wait=lock_wait(wait), progress=say)
    for one in made.fed:
        if one.batch is not None:
            output_records.complain_of(one.batch.none_stored(), f"Source {one.source}: ")
    for line in made.lines():
        print(line)

"""Commands for several groups: what one gives, what all say together."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from examtally.cli import output
from examtally.cli.options import Earlier, Operator, Registry, Results, Wait, lock_wait
from examtally.cli.stopping import entries_and, files_at

app = typer.Typer(no_args_is_help=True, help="What a group gives for pooling with other groups.")


@app.command()
def summary(
    results: Results,
    registry: Registry,
    site: Annotated[str, typer.Option("--site", help="Code of the group, such as S-01.", show_default=False)],
    out: Annotated[Path, typer.Option("--out", help="The file to write, such as S-01.json.", show_default=False)],
    earlier: Earlier = None,
    operator: Operator = None,
    wait: Wait = 0,
) -> None:
    """One sealed file of figures for pooling with other groups; it holds no rows, and no count below 11 people.

    It is a release: held against everything that went out before, and entered in the registry's log.
    """
    from examtally.disclosure.folder import read_release
    from examtally.disclosure.publishing import prepare
    from examtally.disclosure.site_summary import SUMMARY, summarize, write_summary
    from examtally.results import read_results

    known = [read_release(folder).shown for folder in earlier or ()]
    with output.progress(entries_and(registry, files_at(out))) as say:
        say("choosing what may go out")
        found = read_results(results)
        ready = prepare(found, registry, SUMMARY, earlier=known, lock_wait=lock_wait(wait))
        text, held_back = summarize(found, ready, site)
        say("entering it in the registry's log")
        ready.enter("site summary", operator=operator, lock_wait=lock_wait(wait))
        made = write_summary(text, out)
    output.show_files([made])
    output.show_held_back(held_back)


def pool(
    summaries: Annotated[list[Path], typer.Argument(help="The files that the groups gave.", show_default=False)],
    out: Annotated[Path, typer.Option("--out", help="Folder of the pooled results to write.", show_default=False)],
) -> None:
    """Pool the summaries of several groups; needs no registry. Then `examtally report network`."""
    from examtally.disclosure.site_summary import pool as pool_summaries

    with output.progress(files_at(out)) as say:
        say("pooling")
        results = pool_summaries(summaries)
        results.write(out)
    output.show_pooled(results, out)

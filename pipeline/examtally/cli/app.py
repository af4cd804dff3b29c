"""The command line: reads words, calls one function of the package, says what happened. No work is done here."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping
from copy import copy
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from examtally.cli import (
    agree,
    catalogue,
    feeding,
    figures,
    network,
    output,
    records,
    registry,
    report,
    start,
    study,
    teaching,
)
from examtally.cli.options import with_amended
from examtally.cli.settings import defaults, settings_here, without_settings
from examtally.cli.stopping import listening
from examtally.errors import ExamtallyError

GROUPS: Mapping[str, Mapping[str, str]] = {
    "Start": {
        "demo": "See everything on an invented clinic: records, figures, pages",
        "doctor": "What is installed, what others could read, how much disk is free",
        "dictionary": "Every table, column, code and key, and what each means",
        "schema": "JSON Schema of protocol, study, mapping or scenario, for editors",
        "guide": "The documentation: mapping files, studies, reports, the registry",
        "synthesize": "Only the records of an invented clinic, with the truth",
    },
    "Records in": {
        "workbook": "An empty workbook, for groups without an export",
        "sheet": "The one-page exam sheet that it is typed from",
        "form": "The exam as a form for phone, tablet or desk, offline",
        "map": "A mapping file: how your own export becomes records",
        "key": "The site key for de-identification",
        "catalogue": "Maneuvers and conditions of your own: begin a file, check it",
        "deidentify": "Replace record numbers, names and dates of an export",
        "check": "What ingest would do with these files; stores nothing",
        "ingest": "Store a batch in the registry, every line accounted for",
        "feed": "What is new of every source in examtally.toml",
        "month": "Feed, analysis, monthly page and index in one call",
        "held": "Lines held for correction: what to ask whom",
        "retry": "Send corrected files and compare",
    },
    "Figures and pages": {
        "analyze": "Estimate everything and write the results folder",
        "review": "Cases that the reference standard contradicted",
        "report": "Audit, release, month, conditions, cards, sheets, change, network",
        "site": "What a group gives for pooling with others: one file, no rows",
        "pool": "Pool the files of several groups; needs no registry",
    },
    "Studies and teaching": {
        "study": "A question of your own: protocol, size, lock, run, paper, bundle",
        "agree": "An agreement day: its size, its papers, its report",
        "change": "Whether an intervention could be seen, before it takes place",
        "teach": "A set of confirmed cases to learn from, one offline page",
    },
    "Keeping the registry": {
        "batches": "What came when, from whom; the log of who did what",
        "verify": "Read every block and check that nothing was changed",
        "undo": "Take the last batch back",
        "withdraw": "A participant withdraws: take nothing more, or erase",
    },
}
"""Every command by what one wants, with the few words that `examtally --help` says of it."""


class OneScreen(TyperGroup):
    """The first help: every command on one screen, by group. Help of a single command is typer's own."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002  the signature is given
        """The commands in the order of their groups."""
        return [name for group in GROUPS.values() for name in group]

    def format_help(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002  the signature is given
        """Print the groups; nothing is left to the formatter."""
        from rich.console import Console
        from rich.text import Text

        console = Console(highlight=False, soft_wrap=True)
        console.print(f"{self.get_usage(ctx)}\n\n{self.help}\n", markup=False)
        for heading, commands in GROUPS.items():
            console.print(Text(heading, style="bold"))
            for name, words in commands.items():
                console.print(Text.assemble("  ", (name.ljust(12), "cyan"), words))
        console.print(f"\n{self.epilog}", markup=False)


app = typer.Typer(
    cls=OneScreen,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help=(
        "How accurate is the physical examination of a joint in our own hands?\n"
        "For teaching and quality improvement under local governance; not a device;\n"
        "not for deciding about one patient. Start with `examtally demo`."
    ),
    epilog=(
        "One command: examtally COMMAND --help. Version: --version.\n"
        "By the Tab key: --install-completion. Without examtally.toml: --no-settings."
    ),
)
map_app = typer.Typer(no_args_is_help=True, help="Mapping files: how a clinic's own export becomes records.")
map_app.command("draft")(records.map_draft)
map_app.command("learn")(records.map_learn)
catalogue_app = typer.Typer(no_args_is_help=True, help="A group's own catalogue of maneuvers and conditions.")
catalogue_app.command("new")(catalogue.new)
catalogue_app.command("check")(catalogue.check)
key_app = typer.Typer(no_args_is_help=True, help="The site key that `deidentify` works with.")
key_app.command("make")(records.key_make)

_COMMANDS: tuple[Callable[..., None], ...] = (
    *(start.demo, start.doctor, start.dictionary, start.schema, start.guide, start.synthesize),
    *(records.workbook, records.sheet, records.form, records.deidentify, records.check, records.ingest),
    *(feeding.feed, feeding.month),
    *(registry.held, registry.retry, registry.batches, registry.verify, registry.undo, registry.withdraw),
    *(figures.analyze, figures.review, teaching.teach, network.pool),
)
for _command in _COMMANDS:
    app.command()(_command)
_GROUPS = {
    "map": map_app,
    "key": key_app,
    "catalogue": catalogue_app,
    "report": report.app,
    "study": study.app,
    "agree": agree.app,
    "change": teaching.change_app,
    "site": network.app,
}
for _name, _group in _GROUPS.items():
    app.add_typer(_group, name=_name)


def _show_version(is_asked: bool) -> None:
    if is_asked:
        from examtally import __version__

        print(f"examtally {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", is_eager=True, callback=_show_version, help="Print the version and stop.")
    ] = False,
) -> None:
    """The options of `examtally` itself; its help is that of `app`."""


def main(arguments: list[str] | None = None) -> int:
    """Run the command line and return its exit code; a fault or Ctrl-C becomes one plain line on standard error.

    Whatever it writes is for its owner only, as the registry is: who shares a page decides so.
    """
    before = os.umask(0o077)
    try:
        with listening() as keyboard:
            code, said = _run(arguments)
            if keyboard.was_pressed:
                code, said = 130, keyboard.line()
    finally:
        os.umask(before)
    if said:
        output.complain(said)
    return code


def _run(arguments: list[str] | None) -> tuple[int, str]:
    """The exit code of a command, and what is to be said of its fault."""
    try:
        words, is_bare = without_settings(with_amended(sys.argv[1:] if arguments is None else arguments))
        settings = None if is_bare else settings_here()
        group = _made_ready(words)
        known = {} if settings is None else defaults(settings, group, words)
        group.main(args=words, prog_name="examtally", default_map=known)
    except SystemExit as done:
        return (done.code if isinstance(done.code, int) else 0), ""
    except ExamtallyError as fault:
        return fault.exit_code, str(fault)
    except KeyboardInterrupt:
        return 130, ""
    except BrokenPipeError:
        return 141, ""
    except Exception as fault:
        return 70, output.unexpected(fault)
    return 0, ""


def _made_ready(words: list[str]) -> Any:
    """The commands made ready to run: of all of them only the one that is named, for that of the others takes time."""
    named = next(iter(words), None)
    one = copy(app)
    one.registered_commands = [
        info for info in app.registered_commands if getattr(info.callback, "__name__", None) == named
    ]
    one.registered_groups = [info for info in app.registered_groups if info.name == named]
    return typer.main.get_command(one if one.registered_commands or one.registered_groups else app)


if __name__ == "__main__":
    sys.exit(main())

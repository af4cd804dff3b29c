"""Options that several commands share: one name, one meaning, one help text each."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from examtally.cli import output
from examtally.memory import set_budget

if TYPE_CHECKING:
    from examtally.disclosure.release import Approval
    from examtally.registry.lock_wait import LockWait

Registry = Annotated[Path, typer.Option("--registry", help="The registry, one DuckDB file.", show_default=False)]
Results = Annotated[Path, typer.Option("--results", help="Results folder that analyze wrote.", show_default=False)]
Out = Annotated[Path, typer.Option("--out", help="Folder to write to.", show_default=False)]
Format = Annotated[
    str, typer.Option("--format", help="Comma-separated: html (one file), docx, pdf (tagged); not every page has all.")
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON on standard output, for scripts.")]
Wait = Annotated[
    float, typer.Option("--wait", min=0, help="Seconds to wait for a registry that another program holds.")
]
Memory = Annotated[
    str | None,
    typer.Option(
        "--memory", callback=set_budget, help="Memory to use, such as 8GB; half the machine's.", show_default=False
    ),
]
Operator = Annotated[
    str | None,
    typer.Option("--operator", help="Coded identifier of who does this; kept in the log.", show_default=False),
]
Protocol = Annotated[
    Path | None,
    typer.Option(
        "--protocol",
        help="YAML with what differs from the defaults; `dictionary --table protocol` lists keys.",
        show_default=False,
    ),
]
Joint = Annotated[
    str | None,
    typer.Option("--joint", help="Knee (the default), shoulder, ankle or your own.", show_default=False),
]
Catalogue = Annotated[
    Path | None,
    typer.Option(
        "--catalogue", help="The group's own catalogue; `examtally catalogue new` begins one.", show_default=False
    ),
]
Mapping = Annotated[
    Path | None,
    typer.Option(
        "--mapping",
        help="A mapping file for a clinic's own export; `map draft` writes a first one.",
        show_default=False,
    ),
]
Paths = Annotated[
    list[Path],
    typer.Argument(
        help="A folder, or single files named after their table: exams.csv, findings.csv.gz, references.parquet …",
        show_default=False,
    ),
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
    list[str] | None,
    typer.Option(
        "--amend",
        help="Tables and columns whose stored values these lines replace (findings, participants.bmi); every one where "
        "none is named. The earlier version is kept; a blank replaces nothing.",
        show_default=False,
    ),
]
BlankCorrects = Annotated[
    bool,
    typer.Option("--blank-is-a-correction", help="With --amend: a blank replaces a value too."),
]
SecondEngine = Annotated[
    bool,
    typer.Option("--second-engine", help="Let another engine look at every line too, for the intake report (seconds)."),
]
Condition = Annotated[
    str | None,
    typer.Option("--condition", help="One condition by its code; all of them without it.", show_default=False),
]
Earlier = Annotated[
    list[Path] | None,
    typer.Option(
        "--earlier",
        help="A release or bundle made from a copy of the registry; those in its own log are known.",
        show_default=False,
    ),
]
ApprovedBy = Annotated[
    str | None,
    typer.Option(
        "--approved-by",
        help="For what goes out: role (no name) that approved showing whole-cohort tables with small counts.",
        show_default=False,
    ),
]
Because = Annotated[
    str | None,
    typer.Option("--because", help="With --approved-by: the reason; kept in the disclosure log.", show_default=False),
]
Reports = Annotated[
    Path | None,
    typer.Option("--reports", help="Your own copy of the reports; see `examtally report project`.", show_default=False),
]
Source = Annotated[
    Path | None,
    typer.Option("--source", help="Also leave the source here, for `quarto render` by hand.", show_default=False),
]


def lock_wait(seconds: float) -> LockWait:
    """Return how long to wait; whom for is said in one line."""
    from examtally.registry.lock_wait import LockWait

    return LockWait(seconds, output.complain)


def approval_of(role: str | None, reason: str | None) -> Approval | None:
    """Return the approval that --approved-by and --because make together; DisclosureError where one is missing."""
    from examtally.disclosure.release import Approval
    from examtally.errors import DisclosureError

    if (role is None) != (reason is None):
        raise DisclosureError("give --approved-by and --because together")
    return Approval(role, reason) if role is not None and reason is not None else None


def listed(words: str) -> tuple[str, ...]:
    """The words of a comma-separated option, in order, each once."""
    return tuple(dict.fromkeys(word.strip() for word in words.split(",") if word.strip()))


def with_amended(arguments: list[str]) -> list[str]:
    """The words of the command line, `--amend` with all tables where it stands without any.

    >>> with_amended(["ingest", "records", "--amend", "--registry", "r"])
    ['ingest', 'records', '--amend=all', '--registry', 'r']
    >>> with_amended(["ingest", "--amend", "participants.bmi,findings", "records"])
    ['ingest', '--amend=participants.bmi,findings', 'records']
    """
    said: list[str] = []
    for word in arguments:
        if said and said[-1] == "--amend":
            is_what = re.fullmatch(r"(all|[a-z]+)(\.[a-z_]+)?(,[a-z]+(\.[a-z_]+)?)*", word) and not Path(word).exists()
            said[-1:] = [f"--amend={word}"] if is_what else ["--amend=all", word]
        else:
            said.append(word)
    return [*said[:-1], "--amend=all"] if said and said[-1] == "--amend" else said

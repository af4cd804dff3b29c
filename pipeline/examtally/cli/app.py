"""The command line: reads words, calls one function of the package, says what happened. No work is done here."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from examtally.cli import output, report, study
from examtally.cli import registry as registry_commands
from examtally.cli.registry import AllowHeld, Amend, Wait
from examtally.errors import ExamtallyError

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help=(
        "How accurate is the physical examination of the knee in our own hands?\n\n"
        "examtally takes de-identified exam records and imaging-confirmed diagnoses into a registry (one DuckDB file), "
        "estimates sensitivity, specificity and likelihood ratios with intervals for each maneuver, and writes a "
        "report.\n\n"
        "Start with `examtally demo`. With your own files: check, then ingest, then analyze, then report.\n\n"
        "For teaching and quality improvement under local governance; not a device; not for deciding about one patient."
    ),
)
report_app = typer.Typer(no_args_is_help=True, help="Render a report from a results folder; reads no records.")
app.add_typer(report_app, name="report")
map_app = typer.Typer(no_args_is_help=True, help="Mapping files: how a clinic's own export becomes records.")
app.add_typer(map_app, name="map")
app.add_typer(registry_commands.app)
report_app.command("intake")(registry_commands.intake)
for render in (report.audit, report.monthly, report.index, report.examiner, report.condition, report.card):
    report_app.command(render.__name__)(render)
app.add_typer(study.app, name="study")

key_app = typer.Typer(no_args_is_help=True, help="The site key that `deidentify` works with.")
app.add_typer(key_app, name="key")

Registry = Annotated[Path, typer.Option("--registry", help="The registry, one DuckDB file.", show_default=False)]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object on standard output, for scripts.")]
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


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder to write to.")] = Path("demo"),
    seed: Annotated[int | None, typer.Option("--seed", help="Another synthetic clinic.", show_default=False)] = None,
) -> None:
    """Make the synthetic clinic, ingest it, analyze it and render its report; prints where to look."""
    from examtally.demo import run_demo

    with output.progress() as say:
        made = run_demo(out, seed=seed, progress=say)
    output.show_demo(made)


@app.command()
def synthesize(
    out: Annotated[Path, typer.Option("--out", help="Folder to write to: records/, dirty/ and truth.json.")],
    seed: Annotated[int | None, typer.Option("--seed", help="The same seed gives the same bytes.")] = None,
    scenario: Annotated[
        Path | None, typer.Option("--scenario", help="A scenario file; the built-in clinic without it.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Write the record files of an invented clinic whose truth is known, and a dirty copy with planted faults."""
    from examtally.synthesis import synthesize as make

    with output.progress() as say:
        made = make(out, seed=seed, scenario=scenario, progress=say)
    output.show_synthesis(made, as_json=as_json)


@app.command()
def check(
    paths: Paths,
    registry: Annotated[
        Path | None, typer.Option("--registry", help="Check against this registry too (nothing is stored).")
    ] = None,
    mapping: Mapping = None,
    amend: Amend = False,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """Say what ingest would do with these files, line by line where something is wrong. Stores nothing.

    With --mapping it also shows ten mapped rows of each table and every code it could not place, with counts.
    """
    from examtally.ingestion import check as dry_run

    with output.progress() as say:
        patience = registry_commands.patience(wait)
        batch = dry_run(paths, registry, mapping=mapping, amend=amend, patience=patience, progress=say)
    output.show_batch(batch, as_json=as_json, is_dry_run=True)


@app.command()
def ingest(
    paths: Paths,
    registry: Registry,
    operator: Annotated[
        str | None, typer.Option("--operator", help="Coded identifier of who does this; kept with the batch.")
    ] = None,
    mapping: Mapping = None,
    amend: Amend = False,
    allow_held: AllowHeld = None,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """Store record files in the registry as one batch: all of it or nothing, and every line accounted for."""
    from examtally.ingestion import ingest as store

    with output.progress() as say:
        batch = store(
            paths,
            registry,
            mapping=mapping,
            operator=operator,
            amend=amend,
            allow_held=allow_held,
            patience=registry_commands.patience(wait),
            progress=say,
        )
    output.show_batch(batch, as_json=as_json, is_dry_run=False)


@map_app.command("draft")
def map_draft(
    export: Annotated[list[Path], typer.Argument(help="The file or files of the export.", show_default=False)],
    out: Annotated[
        Path | None, typer.Option("--out", help="File to write; standard output where left out.", show_default=False)
    ] = None,
) -> None:
    """Look at an export and write a first mapping file, with `# unsure:` wherever a person must decide."""
    from examtally.ingestion.drafting.draft import draft

    with output.progress() as say:
        made = draft(export, progress=say)
    output.show_draft(made, out)


@key_app.command("make")
def key_make(
    file: Annotated[Path, typer.Argument(help="The key file to write; outside any repository.", show_default=False)],
    around: Annotated[
        int | None,
        typer.Option(
            "--around", help="Year in the middle of the records; this year where left out.", show_default=False
        ),
    ] = None,
) -> None:
    """Make the key of a site, once. It is never printed; its steward keeps it, and a copy, apart from the records."""
    from examtally.deidentification import make_key

    make_key(file, around=around)
    output.show_key()


@app.command()
def deidentify(
    export: Annotated[list[Path], typer.Argument(help="The export: files, or a folder.", show_default=False)],
    mapping: Annotated[Path, typer.Option("--mapping", help="Mapping file with a `deidentify` section.")],
    key: Annotated[Path, typer.Option("--key", help="The site key; see `examtally key make`.")],
    out: Annotated[Path, typer.Option("--out", help="New folder for the files that may go on.")],
    as_json: Json = False,
) -> None:
    """Replace record numbers, names and dates of an export by codes and days; drop what nothing reads.

    Prints what it dropped and what could still point at a person. The written files and the mapping file beside them
    are what `check` and `ingest` take.
    """
    from examtally.deidentification import deidentify as clean

    with output.progress() as say:
        made = clean(export, mapping, key, out, progress=say)
    output.show_deidentified(made, as_json=as_json)


@app.command()
def analyze(
    registry: Registry,
    out: Annotated[Path, typer.Option("--out", help="Results folder to write.", show_default=False)],
    protocol: Annotated[
        Path | None,
        typer.Option("--protocol", help="YAML with what differs from the defaults; `dictionary` lists keys."),
    ] = None,
    with_examiners: Annotated[
        bool, typer.Option("--with-examiners", help="Also write rows about persons, to OUT/examiners/ (mode 0700).")
    ] = False,
    only: Annotated[
        str | None, typer.Option("--only", help="Comma-separated result tables, such as accuracy,flow.")
    ] = None,
    last_periods: Annotated[
        int | None,
        typer.Option(
            "--last-periods",
            min=0,
            max=1200,
            help="Only so many of the newest periods whose results are in; 0 takes all.",
            show_default=False,
        ),
    ] = None,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """Estimate everything from the registry (opened read-only) and write the results folder."""
    from dataclasses import replace

    from examtally.contracts import load_contract
    from examtally.contracts.protocol.protocol import load_protocol
    from examtally.registry import open_registry
    from examtally.results import analyze as estimate
    from examtally.results.folder import check_replaceable

    check_replaceable(out)
    tables = [name.strip() for name in only.split(",") if name.strip()] if only is not None else None
    settings = load_protocol(protocol, load_contract())
    if last_periods is not None:
        settings = replace(settings, eligibility=replace(settings.eligibility, last_periods=last_periods))
    with output.progress() as say, open_registry(registry, patience=registry_commands.patience(wait)) as opened:
        results = estimate(opened, settings, with_examiners=with_examiners, only=tables, progress=say)
    results.write(out)
    output.show_results(results, out, as_json=as_json)


@app.command()
def dictionary(
    table: Annotated[
        str | None,
        typer.Option("--table", help="One table, `catalogue`, `protocol`, `study`, `mapping` or a result table."),
    ] = None,
    form: Annotated[str, typer.Option("--format", help="text, csv, markdown or json.")] = "text",
) -> None:
    """Print every table, column and code that records and results may hold, and what each means."""
    from examtally.contracts.dictionary.dictionary import render_dictionary

    typer.echo(render_dictionary(table=table, form=form))


@app.command()
def workbook(
    out: Annotated[Path, typer.Option("--out", help="Workbook to write, .xlsx.")] = Path("records.xlsx"),
    as_tables: Annotated[
        bool, typer.Option("--tables", help="A sheet for each record table instead of one row a knee.")
    ] = False,
) -> None:
    """Write an empty workbook with drop-downs for groups without an export; `check` and `ingest` take it as it is."""
    from examtally.contracts.contract import load_contract
    from examtally.workbook.book import write_workbook

    sheets = write_workbook(out, load_contract(), as_tables=as_tables)
    print(f"{out}: fill in {', '.join(sheets)}; the first sheet says how.")
    print(f"Then: examtally check {out}, and examtally ingest {out} --registry REGISTRY")


@app.command()
def sheet(
    out: Annotated[Path, typer.Option("--out", help="PDF to write.")] = Path("sheet.pdf"),
    paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "a4",
) -> None:
    """Write the one-page exam sheet that the workbook is typed from: look, feel, move, special."""
    from examtally.contracts.contract import load_contract
    from examtally.reporting.exam_sheet import write_sheet

    print(write_sheet(out, load_contract(), paper=paper).resolve())


def main(arguments: list[str] | None = None) -> int:
    """Run the command line and return its exit code; faults become one plain line on standard error."""
    try:
        app(args=arguments)
    except SystemExit as done:
        return done.code if isinstance(done.code, int) else 0
    except ExamtallyError as fault:
        output.complain(str(fault))
        return fault.exit_code
    except KeyboardInterrupt:
        output.complain("Stopped by the keyboard; nothing was half-stored.")
        return 130
    except BrokenPipeError:
        return 141
    except Exception as fault:
        output.complain(output.unexpected(fault))
        return 70
    return 0


if __name__ == "__main__":
    sys.exit(main())

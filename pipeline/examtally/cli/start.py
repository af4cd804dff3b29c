"""Commands to begin with: the demo, what is installed, the dictionary, the documentation, an invented clinic."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from examtally.cli import output
from examtally.cli.options import Catalogue, Joint, Json
from examtally.cli.stopping import unfinished_at
from examtally.errors import ContractError
from examtally.resources import resource


class RecordForm(StrEnum):
    """How synthetic records are written."""

    csv = "csv"
    fhir = "fhir"


Scenario = Annotated[
    Path | None,
    typer.Option("--scenario", help="A scenario file, small or young; the built-in clinic without it."),
]


def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder to write to.")] = Path("demo"),
    seed: Annotated[int | None, typer.Option("--seed", help="Another synthetic clinic.", show_default=False)] = None,
    scenario: Scenario = None,
    joint: Joint = None,
    clinics: Annotated[
        int,
        typer.Option(
            "--clinics", min=0, help="Instead, make so many clinics and count the intervals that hold the truth."
        ),
    ] = 0,
) -> None:
    """Make the synthetic clinic, ingest it, analyze it and render its report; prints where to look.

    What is true of a synthetic clinic is known: the audit ends with it. With --clinics nothing is left on disk.
    """
    from examtally.demo import run_demo, score_clinics
    from examtally.synthesis import clinic_of

    scenario = clinic_of(joint, scenario)
    if clinics:
        with output.progress() as say:
            score = score_clinics(clinics, seed=seed, scenario=scenario, progress=say)
        output.show_score(score)
        return
    with output.progress(unfinished_at(out)) as say:
        made = run_demo(out, seed=seed, scenario=scenario, progress=say)
    output.show_demo(made)


def doctor(
    registry: Annotated[
        Path | None, typer.Option("--registry", help="A registry to look at.", show_default=False)
    ] = None,
    results: Annotated[
        Path | None, typer.Option("--results", help="A results folder to look at.", show_default=False)
    ] = None,
    key: Annotated[Path | None, typer.Option("--key", help="A site key to look at.", show_default=False)] = None,
    as_json: Json = False,
) -> None:
    """Say what is installed, which files others could read, and how much disk is free. Changes nothing.

    Programs are asked for their version, and every command that was run for it is told. Without --registry, --results
    and --key it looks at those in the working folder. Exit code 1 where something must be mended.
    """
    from examtally.doctor import examine

    checks = examine(registry=registry, results=results, key=key)
    output.show_checks(checks, as_json=as_json)
    if any(one.state == "fault" for one in checks):
        raise typer.Exit(1)


def dictionary(
    joint: Joint = None,
    catalogue: Catalogue = None,
    table: Annotated[
        str | None,
        typer.Option("--table", help="One table, `catalogue`, `protocol`, `study`, `mapping` or a result table."),
    ] = None,
    form: Annotated[str, typer.Option("--format", help="text, csv, markdown or json.")] = "text",
) -> None:
    """Print every table, column and code that records and results may hold, and what each means."""
    from examtally.contracts.contract import contract_for
    from examtally.contracts.dictionary.dictionary import render_dictionary

    typer.echo(render_dictionary(table=table, form=form, contract=contract_for(joint, catalogue)))


def schema(
    name: Annotated[str, typer.Argument(help="protocol, study, mapping, scenario or interventions.")],
) -> None:
    """Print the JSON Schema of a kind of file, with which an editor completes and checks it."""
    from examtally.synthesis.schemas import schema_text

    typer.echo(schema_text(name), nl=False)


def guide(
    topic: Annotated[str | None, typer.Argument(help="One page; without it their titles.", show_default=False)] = None,
) -> None:
    """Print a page of the documentation, as Markdown."""
    pages = {path.stem: path.read_text(encoding="utf-8") for path in sorted(resource("docs").glob("*.md"))}
    if topic is None:
        for name, text in pages.items():
            typer.echo(f"{name:<20}{text.splitlines()[0].removeprefix('# ')}")
    elif topic in pages:
        typer.echo(pages[topic].rstrip())
    else:
        raise ContractError(f"no page of the documentation is called so; choose from {', '.join(pages)}")


def synthesize(
    out: Annotated[Path, typer.Option("--out", help="Folder to write to: records/, dirty/ and truth.json.")],
    seed: Annotated[int | None, typer.Option("--seed", help="The same seed gives the same bytes.")] = None,
    scenario: Scenario = None,
    joint: Joint = None,
    scale: Annotated[
        int, typer.Option("--scale", min=1, max=10_000, help="Every person so many times, under new codes.")
    ] = 1,
    form: Annotated[
        RecordForm, typer.Option("--as", help="csv, or fhir: also as HL7 FHIR R4 Bulk Data, in OUT/fhir/.")
    ] = RecordForm.csv,
    as_json: Json = False,
) -> None:
    """Write the record files of an invented clinic whose truth is known, and a dirty copy with planted faults."""
    from examtally.synthesis import clinic_of
    from examtally.synthesis import synthesize as make

    scenario = clinic_of(joint, scenario)
    with output.progress(unfinished_at(out)) as say:
        made = make(out, seed=seed, scenario=scenario, scale=scale, as_fhir=form is RecordForm.fhir, progress=say)
    output.show_synthesis(made, as_json=as_json)

"""Commands that bring records in: workbook, mapping, de-identification, check and ingest."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from examtally.cli import output, output_records
from examtally.cli.options import (
    AllowHeld,
    Amend,
    BlankCorrects,
    Catalogue,
    Joint,
    Json,
    Mapping,
    Memory,
    Operator,
    Paths,
    Registry,
    SecondEngine,
    Wait,
    lock_wait,
)
from examtally.cli.stopping import entries_and, entries_of, files_at, tell, whole_at


def workbook(
    out: Annotated[Path, typer.Option("--out", help="Workbook to write, .xlsx.")] = Path("records.xlsx"),
    as_tables: Annotated[
        bool, typer.Option("--tables", help="A sheet for each record table instead of one row a joint.")
    ] = False,
    joint: Joint = None,
    catalogue: Catalogue = None,
) -> None:
    """Write an empty workbook with drop-downs for groups without an export; `check` and `ingest` take it as it is."""
    from examtally.contracts.contract import contract_for
    from examtally.workbook.book import write_workbook

    tell(files_at(out))
    sheets = write_workbook(out, contract_for(joint, catalogue), as_tables=as_tables)
    print(f"{out}: fill in {', '.join(sheets)}; the first sheet says how.")
    own = "" if catalogue is None else f" --catalogue {catalogue}"
    print(f"Then: examtally check {out}{own}, and examtally ingest {out} --registry REGISTRY{own}")


def sheet(
    out: Annotated[Path, typer.Option("--out", help="PDF to write.")] = Path("sheet.pdf"),
    paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "a4",
    joint: Joint = None,
    catalogue: Catalogue = None,
) -> None:
    """Write the one-page exam sheet that the workbook is typed from: look, feel, move, special."""
    from examtally.contracts.contract import contract_for
    from examtally.reporting.exam_sheet import write_sheet

    tell(files_at(out))
    print(write_sheet(out, contract_for(joint, catalogue), paper=paper).resolve())


def form(
    out: Annotated[
        Path | None, typer.Option("--out", help="File to write: exam.html, or exam.json with --fhir.")
    ] = None,
    fhir: Annotated[
        bool, typer.Option("--fhir", help="Write the exam as a Questionnaire of HL7 FHIR R4 instead.")
    ] = False,
    joint: Joint = None,
    catalogue: Catalogue = None,
) -> None:
    """Write the form for the examination room: one file for phone, tablet or desk, which needs no network."""
    from examtally.contracts.contract import contract_for
    from examtally.workbook.exam_form import write_form
    from examtally.workbook.questionnaire import write_questionnaire

    out = out or Path("exam.json" if fhir else "exam.html")
    tell(files_at(out))
    contract = contract_for(joint, catalogue)
    if fhir:
        print(write_questionnaire(out, contract).resolve())
        return
    print(f"{write_form(out, contract).resolve()}: open it in a browser; it saves exams.zip.")
    own = "" if catalogue is None else f" --catalogue {catalogue}"
    print(f"Then unpack it, and say: examtally check FOLDER{own}, and examtally ingest FOLDER --registry REGISTRY{own}")


def map_draft(
    export: Annotated[list[Path], typer.Argument(help="The export: files, or a folder of them.", show_default=False)],
    out: Annotated[
        Path | None, typer.Option("--out", help="File to write; standard output where left out.", show_default=False)
    ] = None,
    synonyms: Annotated[
        Path | None,
        typer.Option("--synonyms", help="Our own words, as `map learn` writes them.", show_default=False),
    ] = None,
    joint: Joint = None,
    catalogue: Catalogue = None,
) -> None:
    """Look at an export and write a first mapping file, with `# unsure:` wherever a person must decide."""
    from examtally.ingestion.drafting.draft import draft

    with output.progress(files_at(out) if out is not None else None) as say:
        made = draft(export, joint=joint, catalogue=catalogue, synonyms=synonyms, progress=say)
    output_records.show_draft(made, out)


def map_learn(
    mapping: Annotated[list[Path], typer.Argument(help="Finished mapping files.", show_default=False)],
    synonyms: Annotated[Path, typer.Option("--synonyms", help="File of our own words, to write or add to.")] = Path(
        "synonyms.yaml"
    ),
    joint: Joint = None,
    catalogue: Catalogue = None,
) -> None:
    """Write what finished mappings taught into a file of our own words, which the next `map draft` reads.

    Names of columns, local test names and words for codes. Look it over: it may be mended by hand.
    """
    from examtally.ingestion.drafting.learning import learn

    tell(whole_at(synonyms))
    output_records.show_learned(learn(mapping, synonyms, joint=joint, catalogue=catalogue), synonyms)


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

    tell(files_at(file))
    make_key(file, around=around)
    output_records.show_key()


def deidentify(
    export: Annotated[list[Path], typer.Argument(help="The export: files, or a folder.", show_default=False)],
    mapping: Annotated[Path, typer.Option("--mapping", help="Mapping file with a `deidentify` section.")],
    key: Annotated[Path, typer.Option("--key", help="The site key; see `examtally key make`.")],
    out: Annotated[Path, typer.Option("--out", help="New folder for the files that may go on.")],
    joint: Joint = None,
    catalogue: Catalogue = None,
    as_json: Json = False,
) -> None:
    """Replace record numbers, names and dates of an export by codes and days; drop what nothing reads.

    Prints what it dropped and what could still point at a person. The written files and the mapping file beside them
    are what `check` and `ingest` take.
    """
    from examtally.deidentification import deidentify as clean

    with output.progress(whole_at(out)) as say:
        made = clean(export, mapping, key, out, joint=joint, catalogue=catalogue, progress=say)
    output_records.show_deidentified(made, as_json=as_json)


def check(
    paths: Paths,
    registry: Annotated[
        Path | None, typer.Option("--registry", help="Check against this registry too (nothing is stored).")
    ] = None,
    mapping: Mapping = None,
    joint: Joint = None,
    catalogue: Catalogue = None,
    amend: Amend = None,
    blank_corrects: BlankCorrects = False,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """Say what ingest would do with these files, and in which lines something is wrong. Stores nothing.

    Of each broken rule the first twelve runs of lines are shown, with --json up to a thousand. With --mapping it also
    shows ten mapped rows of each table and every code it could not place, with counts.
    """
    from examtally.ingestion import check as dry_run

    with output.progress() as say:
        batch = dry_run(
            paths,
            registry,
            mapping=mapping,
            joint=joint,
            catalogue=catalogue,
            amend=amend or False,
            blank_is_a_correction=blank_corrects,
            lock_wait=lock_wait(wait),
            progress=say,
        )
    output_records.show_batch(batch, as_json=as_json, is_dry_run=True)


def ingest(
    paths: Paths,
    registry: Registry,
    operator: Operator = None,
    mapping: Mapping = None,
    joint: Joint = None,
    catalogue: Catalogue = None,
    amend: Amend = None,
    blank_corrects: BlankCorrects = False,
    allow_held: AllowHeld = None,
    second_engine: SecondEngine = False,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to",
            help="Then also write all records as Parquet tables, parted by site; see `examtally guide spark`.",
            show_default=False,
        ),
    ] = None,
    wait: Wait = 0,
    memory: Memory = None,  # noqa: ARG001  (its callback takes it)
    as_json: Json = False,
) -> None:
    """Store record files in the registry as one batch, in one step, with every line accounted for.

    Lines that break a rule are held back, the others are stored. What stops it midway leaves the registry as it was.
    """
    from examtally.ingestion import ingest as store
    from examtally.registry.table_set import check_place_of_tables, write_table_set

    if to is not None:
        check_place_of_tables(to)
    truth = entries_of(registry) if to is None else entries_and(registry, whole_at(to))
    with output.progress(truth) as say:
        batch = store(
            paths,
            registry,
            mapping=mapping,
            joint=joint,
            catalogue=catalogue,
            operator=operator,
            amend=amend or False,
            blank_is_a_correction=blank_corrects,
            allow_held=allow_held,
            second_engine=second_engine,
            lock_wait=lock_wait(wait),
            progress=say,
        )
    output_records.show_batch(batch, as_json=as_json, is_dry_run=False)
    if to is not None:
        with output.progress(truth) as say:
            tables = write_table_set(registry, to, lock_wait=lock_wait(wait), progress=say)
        output_records.show_tables(tables, as_json=as_json)

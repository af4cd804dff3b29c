"""What the commands that bring records in say: drafts, de-identification, and what became of a batch."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from examtally.cli.output import complain, print_table
from examtally.errors import ExamtallyError
from examtally.files import write_whole
from examtally.words import for_terminal

if TYPE_CHECKING:
    from examtally.deidentification import Deidentified
    from examtally.ingestion import BatchReport
    from examtally.ingestion.drafting.draft import Draft
    from examtally.ingestion.drafting.learning import Learned
    from examtally.registry.table_set import TableSet

_PLACES = ("lines", "stored", "unchanged", "conflict", "waiting", "held_back")
_HEADS = ("table", "lines", "stored", "unchanged", "conflict", "waiting", "held back")

_LINES_SHOWN = 12


def show_batch(batch: BatchReport, *, as_json: bool, is_dry_run: bool) -> None:
    """Say where every line went, then what was held back and how to mend it."""
    empty = batch.none_stored()
    if as_json:
        print(batch.to_json())
        complain_of(empty)
        return
    print(*empty, _begins(batch, without=bool(empty), is_dry_run=is_dry_run), sep="\n")
    print_table(_HEADS, [(table.table, *(getattr(table, place) for place in _PLACES)) for table in batch.tables])
    print("Every line is in exactly one place: lines = stored + unchanged + conflict + waiting + held back.")
    for table in batch.tables:
        if table.released:
            print(f"{table.table}: {table.released:,} lines that waited for their exam are stored now.")
        if table.amended:
            print(f"{table.table}: {table.amended:,} lines replace an earlier version, which is kept.")
        if table.filled:
            print(f"{table.table}: {table.filled:,} lines fill in what was blank; the earlier version is kept.")
    if batch.same_as is not None:
        print(f"These files have the same bytes as those of batch {batch.same_as}.")
    if batch.refused is not None:
        print(f"Ingest would refuse this batch: {batch.refused}.")
    if batch.seal is not None:
        print(f"Seal {batch.seal}: note it outside this machine; examtally verify --expect holds the registry to it.")
    _exports(batch)
    _held_back(batch)
    _mapped(batch)
    _intake(batch)


def complain_of(faults: Sequence[str], where: str = "") -> None:
    """Write what deserves a look to standard error, a line each."""
    for fault in faults:
        complain(where + fault)


def _begins(batch: BatchReport, *, without: bool, is_dry_run: bool) -> str:
    if is_dry_run:
        return "Nothing was stored; ingest would do this:"
    return f"Batch {batch.batch_no} is stored{' without them' if without else ''}."


def show_key() -> None:
    """Say that there is a key now, and nothing of what is in it."""
    print("The key is made; only you can read it. Keep it, and a copy of it in a safe place, apart from the records.")
    print("Whoever has it can link codes to persons; without it no later batch can be linked to earlier ones.")


def show_deidentified(made: Deidentified, *, as_json: bool) -> None:
    """Say what was written, what was dropped and what risk is left."""
    if as_json:
        print(made.to_json())
        return
    from examtally.ingestion.reading.sheet import column_letters

    print(f"De-identified files are in {made.out}:")
    rows = [(one.file, one.lines, one.written, one.skipped, one.without_person) for one in made.files]
    print_table(("file", "lines", "written", "skipped by the mapping", "without a participant"), rows)
    for one in made.files:
        print(f"  {one.file}, dropped columns: {', '.join(one.dropped) or 'none'}")
        for cells in one.undeclared:
            shown = ", ".join(map(str, cells.lines[:_LINES_SHOWN])) + (" …" if len(cells.lines) > _LINES_SHOWN else "")
            print(
                f"  {one.file}, column {column_letters(cells.column)} of your file: {len(cells.lines)} cells that the "
                "mapping does not declare are "
                f"replaced by (removed), in line {shown}"
            )
    print(
        "\nWhat could still point at a person (people in groups of fewer than 5, and people alone with their values):"
    )
    risks = [(one.about, one.smallest, f"{one.median:g}", one.people, one.alone, one.all_people) for one in made.risks]
    print_table(("known together", "smallest", "median", "fewer than 5", "alone", "people"), risks)
    print("  For period and intervals the numbers are the days on which the first exam can have been.")
    for mend in dict.fromkeys(mend for risk in made.risks for mend in risk.coarsen):
        print(f"  To coarsen: {mend}.")
    print("Whether these files may be shared is the privacy officer's decision, not the program's.")
    print(f"Next: examtally check {made.out} --mapping {made.out / 'mapping.yaml'}")


def show_draft(made: Draft, out: Path | None) -> None:
    """Write the drafted mapping and say how much of the export it reads."""
    if out is None:
        print(made.text, end="")
    else:
        _write_new(out, made.text)
    names_people = "\ndeidentify:" in made.text
    then = "deidentify, since the export names people or holds dates" if names_people else "check --mapping"
    said = (
        f"{made.placed} of {made.columns} columns are read, {made.ignored} stand under `ignore`, {made.unknown} of "
        f"them not recognized; {made.unsure} lines are marked '# unsure:'; look them over, then say: examtally {then}"
    )
    if made.patterns:
        said += "\nA file name can name a person, so `files` holds a pattern (*) for what is no plain word in it."
    if made.renamed:
        said += (
            f"\nThe names of {made.renamed} files are not kept: rename them as `files` says, or write a pattern there."
        )
    print(said, file=sys.stderr)


def show_learned(made: Learned, file: Path) -> None:
    """Say what was learned, and what was not."""
    print(
        f"{file}: {made.columns} names of columns, {made.codes} words for codes and {made.ignored} columns to ignore "
        "are new; look them over"
    )
    if made.changed:
        print(f"{made.changed} words had another meaning in the file before")
    if made.unclear:
        print(f"{made.unclear} words are left out: the mappings read each of them in more than one way")
    print(f'Then: examtally map draft EXPORT --synonyms {file}, or a line  synonyms = "..."  in examtally.toml')


def _write_new(out: Path, text: str) -> None:
    """Write a file that is not there yet: a mapping that somebody has worked on is not lost to a second draft."""
    try:
        write_whole(out, text, is_new=True)
    except FileExistsError:
        raise ExamtallyError(f"{out} is there already; name another file with --out") from None
    except OSError:
        raise ExamtallyError(f"{out} cannot be written; name a file in a folder you may write to") from None


_ASSUMED = {
    "blank_negative": "a blank was read as negative for {code} ({lines:,} lines)",
    "unlisted_absent": "conditions that {code} covers and did not list were read as absent ({lines:,} lines)",
    "unreadable_blank": "cells of {code} that could not be read were left out ({lines:,} cells)",
    "first_of_repeats": "of several lines of one key the first was taken",
}


def _exports(batch: BatchReport) -> None:
    if batch.exports:
        print("\nOf the export: lines = mapped + skipped + made nothing.")
        places = ("lines", "mapped", "skipped", "empty")
        rows = [
            (f"file {one.file_no} ({one.source})", *(getattr(one, place) for place in places)) for one in batch.exports
        ]
        print_table(("file", "lines", "mapped", "skipped", "made nothing"), rows)
    if batch.withdrawn:
        print(
            f"{batch.withdrawn} withdrew with this batch: nothing more is taken of them; what was stored before stays "
            "until examtally withdraw … --erase"
        )
    for one in batch.assumptions:
        print(f"{one.table}: {_ASSUMED[one.assumption].format(code=one.code, lines=one.lines)}; the report says so.")


def _mapped(batch: BatchReport) -> None:
    for shown in batch.previews:
        print(f"\nFirst rows of {shown.table}:")
        print_table(shown.columns, shown.rows)
    if batch.unplaced:
        print("\nCells that have no place yet, with counts:")
    for one in batch.unplaced:
        value = f"'{one.value}'" if one.value is not None else f"({one.values:,} other values, not shown)"
        print(for_terminal(f"  {one.table}.{one.column}: {value} {one.lines:,}"))


def _held_back(batch: BatchReport) -> None:
    if not batch.held_back:
        return
    print("\nHeld back or in conflict, by rule (line numbers count from 1, the header included):")
    for held in batch.held_back:
        lines = ", ".join(map(batch.place, held.runs[:_LINES_SHOWN]))
        more = " …" if len(held.runs) > _LINES_SHOWN else ""
        kind = "conflict, " if held.kind == "conflict" else ""
        noun = "line" if held.lines == 1 else "lines"
        sent = sum(run.last - run.first + 1 for run in held.runs)
        made = "made of " if sent < held.lines and not more else ""  # of one line of an export several may be made
        print(f"  {held.rule}: {kind}{held.lines:,} {noun} ({made}{lines}{more})")
        print(f"      wanted: {held.legal}. Mend: {held.mend}.")


def _intake(batch: BatchReport) -> None:
    if not batch.intake:
        return
    failed = sum(check.unexpected is not None and check.unexpected > 0 for check in batch.intake)
    raised = sum(check.raised for check in batch.intake)
    print(f"\nIntake check, by a second engine: {len(batch.intake)} expectations, {failed} not met", end="")
    print(f", {raised} that could not be run." if raised else ".")


def show_tables(made: TableSet, *, as_json: bool) -> None:
    """Say what was written beside the registry; standard output is the batch's where it is read by a script."""
    rows = sum(rows for name, rows in made.rows.items() if name.startswith("records/"))
    text = f"Tables: {rows:,} records in {made.folder}, as private as the registry; erasing there does not reach them."
    print(text, file=sys.stderr if as_json else sys.stdout)

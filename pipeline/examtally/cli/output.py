"""What the command line says: progress and faults on standard error, outcomes on standard output."""

from __future__ import annotations

import errno
import json
import os
import sys
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from examtally.cli.stopping import Truth, tell
from examtally.errors import ExamtallyError
from examtally.files import write_whole
from examtally.words import for_terminal

if TYPE_CHECKING:
    from examtally.deidentification import Deidentified
    from examtally.demo import Demo, Score
    from examtally.doctor import Check
    from examtally.ingestion import BatchReport
    from examtally.ingestion.drafting.draft import Draft
    from examtally.ingestion.drafting.learning import Learned
    from examtally.registry.table_set import TableSet
    from examtally.results import Results
    from examtally.synthesis import SynthesisReport

_PLACES = ("lines", "stored", "unchanged", "conflict", "waiting", "held_back")
_FINE_STEPS = ("before ", "after ")  # the points at which a test may stop an ingest; no news to a person
_HEADS = ("table", "lines", "stored", "unchanged", "conflict", "waiting", "held back")

_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_LINES_SHOWN = 12
_NO_ROOM_SAID = (*(f"(os error {number})" for number in _NO_ROOM), "No usable temporary directory")


@contextmanager
def progress(truth: Truth | None = None) -> Iterator[Callable[[str], None]]:
    """Give a function that is told each step; steps are shown on standard error, in place where it is a terminal.

    `truth` says what is stored, for who presses Ctrl-C meanwhile; a command that stores nothing has none.
    """
    if truth is not None:
        tell(truth)
    if not sys.stderr.isatty():
        yield _line
        return
    from rich.console import Console

    console = Console(stderr=True)
    begun = time.monotonic()
    with console.status("starting") as status:

        def show(step: str) -> None:
            if not step.startswith(_FINE_STEPS):
                status.update(f"{step} [dim]({time.monotonic() - begun:.0f} s)[/dim]")

        yield show


def complain(text: str) -> None:
    """Write a fault to standard error, one line each."""
    print(for_terminal(text), file=sys.stderr)


def unexpected(fault: Exception) -> str:
    """Return one line about a fault nobody foresaw; its own text is left out, since it may hold a record's value."""
    if os.environ.get("EXAMTALLY_DEBUG"):
        traceback.print_exception(fault)
    if _is_no_room(fault):
        return "no room is left on disk, also for temporary files; free some, then repeat; nothing was half-stored"
    frames = traceback.extract_tb(fault.__traceback__)
    place = f" in {Path(frames[-1].filename).stem}, line {frames[-1].lineno}" if frames else ""
    return (
        f"examtally met a fault of its own ({type(fault).__name__}{place}); nothing was half-stored. Please report "
        "this line. EXAMTALLY_DEBUG=1 shows more, which may hold values of records: keep that to yourself."
    )


def _is_no_room(fault: Exception) -> bool:
    """Whether a fault is of a full disk, also where a library words it in its own way."""
    return (isinstance(fault, OSError) and fault.errno in _NO_ROOM) or any(
        words in str(fault) for words in _NO_ROOM_SAID
    )


def show_score(score: Score) -> None:
    """Say how many of the leading intervals hold the truth."""
    print(f"{score.clinics} synthetic clinics, leading estimates of every main and other maneuver:")
    for measure, shown in score.shown.items():
        share = f"{score.held[measure] / shown:.0%}" if shown else "none shown"
        print(f"  {measure}: {score.held[measure]:,} of {shown:,} intervals hold the truth ({share}; 95% are meant to)")


def show_demo(made: Demo) -> None:
    """Say what the demo made and where to look."""
    rows = sum(made.synthesis.records.values())
    held = sum(table.held_back for table in made.dirty.tables)
    print(f"{made.synthesis.title}: a clinic of our own invention, {rows:,} record lines (seed {made.synthesis.seed}).")
    print(f"Its dirty export was ingested too: {held:,} lines held back, every line accounted for.")
    print(f"Records, registry and results: {made.out}")
    print("Pages:")
    for page in made.pages:
        print(f"  {page.resolve()}")
    print(f"Open first, in a browser: {made.first_page.resolve()}")
    print("It shows what this exam can and cannot be said to do: accuracy with intervals, calibration, who was imaged.")
    print("Next, with your own files: examtally check FOLDER, or examtally workbook where there is no export.")


_CHECKED = {
    "package": "Python and packages",
    "program": "Programs",
    "font": "Fonts of pages and figures",
    "private": "Who can read it",
    "disk": "Free disk",
}


def show_checks(checks: Sequence[Check], *, as_json: bool) -> None:
    """Say what was looked at, kind by kind; what must be mended stands again at the end."""
    faults = [one for one in checks if one.state == "fault"]
    if as_json:
        print(json.dumps({"is_well": not faults, "checks": [asdict(one) for one in checks]}, indent=2))
        return
    for kind, heading in _CHECKED.items():
        chosen = [one for one in checks if one.kind == kind]
        if chosen:
            print(heading)
            print_rows([(one.state, one.name, one.says) for one in chosen])
    ran = [one.ran for one in checks if one.ran]
    print("To ask for versions these were run: " + "; ".join(ran) if ran else "No program was run.")
    for one in faults:
        print(f"To mend: {one.name}: {one.says}")
    if not faults:
        print("Nothing must be mended.")


def show_synthesis(made: SynthesisReport, *, as_json: bool) -> None:
    """Say what was written, by table."""
    if as_json:
        content = {"title": made.title, "seed": made.seed, "records": dict(made.records), "dirty": dict(made.dirty)}
        print(json.dumps(content, indent=2))
        return
    print(f"{made.title} (seed {made.seed}) in {made.out}: records/, dirty/ and truth.json")
    rows = [(name, lines, made.dirty.get(name, 0)) for name, lines in made.records.items()]
    print_table(("table", "record lines", "lines of the dirty export"), rows)


def show_batch(batch: BatchReport, *, as_json: bool, is_dry_run: bool) -> None:
    """Say where every line went, then what was held back and how to mend it."""
    if as_json:
        print(batch.to_json())
        return
    print("Nothing was stored; ingest would do this:" if is_dry_run else f"Batch {batch.batch_no} is stored.")
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


def show_results(results: Results, out: Path, *, as_json: bool) -> None:
    """Say which tables were written."""
    rows = [(name, frame.height) for name, frame in results.tables.items()]
    if as_json:
        print(json.dumps({"out": str(out), "tables": dict(rows), "registry": results.provenance.registry}, indent=2))
        return
    print(f"Results are in {out}, each table as Parquet and CSV:")
    print_table(("table", "rows"), rows)


def show_files(paths: list[Path]) -> None:
    """Say where the pages are."""
    for path in paths:
        print(path.resolve())


def show_held_back(pairs: int) -> None:
    """Say how much of the analysis a summary for other groups does not hold."""
    print(f"{pairs} pairs of condition and maneuver are not in it: too few people, or no figure that can be shown.")


def show_pooled(results: Results, out: Path) -> None:
    """Say how many groups and pairs were pooled, and what comes next."""
    every = results.pooled_sites.filter(adjustment="bias_adjusted", measure="sensitivity", without="all")
    pooled = every["estimate"].is_not_null().sum()
    print(
        f"{results.site_summaries['site_code'].n_unique()} groups, {every.height} pairs of condition and maneuver; "
        f"{pooled} pooled, {every.height - pooled} side by side (fewer than four groups)."
    )
    print(f"Next: examtally report network --results {out} --out FOLDER")


def show_draft(made: Draft, out: Path | None) -> None:
    """Write the drafted mapping and say how much of the export it reads."""
    if out is None:
        print(made.text, end="")
    else:
        _write_new(out, made.text)
    names_people = "\ndeidentify:" in made.text
    then = "deidentify, since the export names people or holds dates" if names_people else "check --mapping"
    said = (
        f"{made.placed} of {made.columns} columns have a place, {made.ignored} are ignored, "
        f"{made.unsure} lines are marked '# unsure:'; look them over, then say: examtally {then}"
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
        lines = ", ".join(batch.place(line) for line in held.first)
        more = " …" if held.lines > len(held.first) else ""
        kind = "conflict, " if held.kind == "conflict" else ""
        noun = "line" if held.lines == 1 else "lines"
        print(f"  {held.rule}: {kind}{held.lines:,} {noun} ({lines}{more})")
        print(f"      wanted: {held.legal}. Mend: {held.mend}.")


def _intake(batch: BatchReport) -> None:
    if not batch.intake:
        return
    failed = sum(check.unexpected is not None and check.unexpected > 0 for check in batch.intake)
    raised = sum(check.raised for check in batch.intake)
    print(f"\nIntake check, by a second engine: {len(batch.intake)} expectations, {failed} not met", end="")
    print(f", {raised} that could not be run." if raised else ".")


def print_table(heads: tuple[str, ...], rows: Sequence[tuple[object, ...]], *, are_words: bool = False) -> None:
    """Print a table, the first column to the left, the others to the right, or all to the left where they are words."""
    written = [tuple(f"{cell:,}" if isinstance(cell, int) else str(cell) for cell in row) for row in rows]
    print_rows([heads, *written], are_words=are_words)


def print_rows(cells: Sequence[tuple[str, ...]], *, are_words: bool = True) -> None:
    """Print rows of words under each other, as `print_table` does."""
    widths = [max(len(row[column]) for row in cells) for column in range(len(cells[0]))]
    for row in cells:
        first, *others = (
            cell.ljust(width) if column == 0 or are_words else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        print(for_terminal(f"  {'  '.join([first, *others])}".rstrip()))


def _line(step: str) -> None:
    if not step.startswith(_FINE_STEPS):
        print(step, file=sys.stderr)


def show_tables(made: TableSet, *, as_json: bool) -> None:
    """Say what was written beside the registry; standard output is the batch's where it is read by a script."""
    rows = sum(rows for name, rows in made.rows.items() if name.startswith("records/"))
    text = f"Tables: {rows:,} records in {made.folder}, as private as the registry; erasing there does not reach them."
    print(text, file=sys.stderr if as_json else sys.stdout)

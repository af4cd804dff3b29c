"""What the command line says: progress and faults on standard error, outcomes on standard output."""

from __future__ import annotations

import errno
import json
import os
import shlex
import shutil
import sys
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from examtally.cli.stopping import Truth, tell
from examtally.words import for_terminal

if TYPE_CHECKING:
    from examtally.demo import Demo, Score
    from examtally.doctor import Check
    from examtally.results import Results
    from examtally.synthesis import SynthesisReport

_PROGRAM = "examtally"
_FINE_STEPS = ("before ", "after ")  # the points at which a test may stop an ingest; no news to a person
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
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
    command = own_command()
    print(f"Next, with your own files: {command} check FOLDER")
    print(f"Where there is no export: {command} workbook")
    if command != _PROGRAM and (activation := _activation()):
        print(f"So that `{_PROGRAM}` alone is found, once in each terminal: {activation}")


def own_command() -> str:
    """How this program is called in a terminal: by its name where that finds it, else by its whole path."""
    folder = Path(sys.executable).parent
    beside = next((path for path in (folder / _PROGRAM, folder / f"{_PROGRAM}.exe") if path.is_file()), None)
    found = shutil.which(_PROGRAM)
    if found is not None and (beside is None or beside.resolve() == Path(found).resolve()):
        return _PROGRAM
    return f"{_pasted(Path(sys.executable))} -m examtally.cli" if beside is None else _pasted(beside)


def _activation() -> str:
    """The line that puts the environment of this program on the path of a terminal, empty where there is none."""
    script = Path(sys.executable).parent / "activate"
    if not script.is_file():
        return ""
    return _pasted(script) if os.name == "nt" else f". {_pasted(script)}"


def _pasted(path: Path) -> str:
    """A path as a terminal takes it, whatever stands in it."""
    text = str(path)
    if os.name != "nt":
        return shlex.quote(text)
    return f'"{text}"' if " " in text else text


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

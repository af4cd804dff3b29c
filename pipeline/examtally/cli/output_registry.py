"""What the commands of the registry of record say."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING

from examtally.cli.output import complain, print_table

if TYPE_CHECKING:
    from examtally.registry.accounts import BatchLine, HeldGroup, HeldOf
    from examtally.registry.audit_log import Entry
    from examtally.registry.undo import Undone
    from examtally.registry.verifying import Verification
    from examtally.registry.withdrawal import Withdrawal
if TYPE_CHECKING:
    import polars as pl


_HEADS = ("batch", "received (UTC)", "operator", "lines", "stored", "unchanged", "conflict", "waiting", "held back")
_SHOWN_RUNS = 12


def show_batches(batches: Sequence[BatchLine], *, as_json: bool) -> None:
    """List the batches."""
    if as_json:
        print(json.dumps([asdict(one) for one in batches], indent=2))
        return
    if not batches:
        print("No batch is stored.")
        return
    rows = [("" if cell is None else cell for cell in asdict(one).values()) for one in batches]
    print_table((*_HEADS, "amended"), [(str(number), *cells) for number, *cells in rows])


def show_log(log: Sequence[Entry], *, as_json: bool) -> None:
    """Print the log."""
    if as_json:
        print(json.dumps([asdict(one) for one in log], indent=2))
        return
    rows = [
        (str(one.entry), one.at, one.operator or "", one.action, str(one.batch_no or ""), one.hash[:16]) for one in log
    ]
    print_table(("entry", "at (UTC)", "operator", "action", "batch", "hash"), rows)


def show_held(groups: Sequence[HeldGroup], *, as_json: bool) -> None:
    """Print the work list."""
    if as_json:
        print(json.dumps([asdict(one) for one in groups], indent=2))
        return
    if not groups:
        print("No line is held back or in conflict.")
        return
    heading = None
    for one in groups:
        if heading != (one.batch_no, one.table):
            heading = (one.batch_no, one.table)
            print(f"Batch {one.batch_no}, {one.table}:")
        kind = "conflict, " if one.kind == "conflict" else ""
        print(f"  {one.rule}: {kind}{one.lines:,} {'line' if one.lines == 1 else 'lines'} ({_runs(one.places)})")
        print(f"      wanted: {one.legal}. Mend: {one.mend}.")
        if any(part.examiner_id for part in one.of):
            for part in one.of:
                print(f"      {_whose(part)}: {part.lines:,} ({_runs(part.places)})")
    print("6:193 stands for line 193 of file 6; files are counted as given, those of a folder by name.")
    print("Mend the export, then say: examtally retry PATH --registry …")


def _whose(part: HeldOf) -> str:
    """The examiner, and the site where it is known; both are codes."""
    if part.examiner_id is None:
        return "no examiner that the registry knows"
    return f"examiner {part.examiner_id}" + (f", site {part.site_id}" if part.site_id else "")


def show_retry(number: int, before: Sequence[HeldGroup], after: Sequence[HeldGroup]) -> None:
    """Compare what was held back with what is held back now."""
    then = {(one.table, one.rule): one.lines for one in before}
    now = {(one.table, one.rule): one.lines for one in after}
    print(f"\nHeld back or in conflict in batch {number} and in this one:")
    rows = [(table, rule, then.get((table, rule), 0), now.get((table, rule), 0)) for table, rule in {**then, **now}]
    print_table(("table", "rule", "then", "now"), rows)
    print(f"Batch {number} has left the work list; what is held back now stands under this batch.")


def show_undone(done: Undone) -> None:
    """Say what was taken back."""
    rows = sum(done.removed.values())
    print(
        f"Batch {done.batch_no} is taken back: {rows:,} rows removed, {sum(done.restored.values()):,} as before again."
    )
    print("Results made since then still count it.")


def show_withdrawal(done: Withdrawal, batches: Sequence[BatchLine]) -> None:
    """Say what was done, and what the program cannot reach."""
    print("Later lines of this participant will be held back.")
    if not done.was_known:
        print("The registry held no exam of this participant; look at the identifier once more.")
    if not done.is_erased:
        print("What is stored stays, and is analyzed as before.")
        return
    if done.erased:
        print_table(("part and table", "rows erased"), list(done.erased.items()))
    print("The registry's file was written anew; the rows are in no page of it.")
    print("Beyond the reach of this program: copies of the registry, tables that `ingest --to` wrote,")
    print("the record files that were sent, and every results folder, report and bundle made before now")
    print("from these batches:")
    for one in batches:
        print(f"  batch {one.batch_no}, received {one.received_at} UTC")
    print("Analyze again, replace them, and delete old copies of the registry.")


def show_verification(found: Verification, *, as_json: bool) -> None:
    """Say whether all is well."""
    if as_json:
        print(json.dumps(asdict(found), indent=2))
        return
    for fault in found.faults:
        complain(fault)
    if not found.faults:
        noun = "batch" if found.batches == 1 else "batches"
        print(f"The registry is sound: {found.rows:,} rows of {found.batches:,} {noun}, every block read,")
        print("fingerprints, keys, references and accounts as they should be.")
        print(f"Log: {found.log_entries:,} entries, the newest seal {found.log_head}")


def _runs(places: Sequence[tuple[int, int]]) -> str:
    """Lines of one file that follow each other, as first-last; the file stands before its lines."""
    runs: list[list[int]] = []
    for file, line in places:
        if runs and runs[-1][0] == file and runs[-1][2] == line - 1:
            runs[-1][2] = line
        else:
            runs.append([file, line, line])
    shown = [f"{file}:{first}" + (f"-{last}" if last > first else "") for file, first, last in runs[:_SHOWN_RUNS]]
    return ", ".join(shown) + (" …" if len(runs) > _SHOWN_RUNS else "")


_REVIEW_HEADS = ("exam", "condition", "maneuver", "finding", "reference", "severity")


def show_review(found: pl.DataFrame, *, as_json: bool) -> None:
    """List the contradictions, missed conditions first."""
    rows = list(found.iter_rows(named=True))
    if as_json:
        print(json.dumps(rows, indent=2))
        return
    if not rows:
        print("No core finding and no firm probability was contradicted by a reference.")
        return
    missed = sum(row["reference"] == "present" for row in rows)
    exams = len({row["exam_id"] for row in rows})
    print(f"{len(rows)} findings contradicted in {exams} exams; {missed} missed, these first. Noted in the log.")
    print_table(_REVIEW_HEADS, [_line(row) for row in rows], are_words=True)


def _line(row: dict[str, object]) -> tuple[object, ...]:
    stated = row["finding"] or f"stated {float(str(row['probability'])):.0%}"
    return (
        *(row["exam_id"], row["condition"], row["maneuver"] or "(probability)"),
        *(stated, row["reference"], row["severity"] or ""),
    )

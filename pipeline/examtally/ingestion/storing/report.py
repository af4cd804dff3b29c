"""What became of a batch: counts, rules and lines, never a value of a record, a file name or a path."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass

from examtally.ingestion.reading.sheet import column_letters


@dataclass(frozen=True)
class FileCount:
    """Where the lines of one file went; `fingerprint` is the SHA-256 of its bytes."""

    table: str
    file_no: int
    fingerprint: str
    bytes: int
    lines: int
    stored: int
    unchanged: int
    conflict: int
    waiting: int
    held_back: int

    @property
    def adds_up(self) -> bool:
        """Whether every line is in exactly one place."""
        return self.lines == self.stored + self.unchanged + self.conflict + self.waiting + self.held_back


@dataclass(frozen=True)
class TableCount:
    """Where the lines of one table went. `released` counts lines of earlier batches whose exam came with this one.

    `amended` counts the lines, among those stored or waiting, that replace an earlier version, `filled` those that say
    what was blank in it.
    """

    table: str
    files: int
    lines: int
    stored: int
    unchanged: int
    conflict: int
    waiting: int
    held_back: int
    released: int
    amended: int = 0
    filled: int = 0


@dataclass(frozen=True)
class FileLine:
    """A line of a file of the batch, both counted from 1 (a row of a Parquet file or a sheet counts as a line).

    `column` is the place of the column in an export that was read through a mapping; None where no one column is to
    blame, and in files of our own form.
    """

    file_no: int
    line: int
    column: int | None = None


@dataclass(frozen=True)
class LineRun:
    """Lines of one file that follow each other, from `first` to `last`; `column` is as that of a `FileLine`."""

    file_no: int
    first: int
    last: int
    column: int | None = None


@dataclass(frozen=True)
class HeldBack:
    """The lines that broke one rule. `kind` is held_back or conflict; `first` are the first of them, at most five.

    `runs` are all of them, as runs of lines, at most a thousand. Through a mapping `lines` counts the lines of the
    table, of which one line of an export may make several.
    """

    table: str
    column: str
    rule: str
    kind: str
    lines: int
    first: tuple[FileLine, ...]
    legal: str
    mend: str
    runs: tuple[LineRun, ...] = ()


@dataclass(frozen=True)
class IntakeCheck:
    """One expectation held against `checked` of `rows` lines; `unexpected` is None where the check itself failed."""

    table: str
    rule: str
    expectation: str
    rows: int
    checked: int
    unexpected: int | None
    raised: bool


@dataclass(frozen=True)
class ExportCount:
    """What became of the lines of one export: they made rows of some table, were skipped by a rule, or made none.

    `sheet` is the sheet as its mapping names it, None where the export is no workbook.
    """

    file_no: int
    source: str
    fingerprint: str
    bytes: int
    lines: int
    mapped: int
    skipped: int
    empty: int
    sheet: str | None = None


@dataclass(frozen=True)
class Assumption:
    """What a mapping took for said though it was not written, for how many lines of a table.

    `assumption` is blank_negative (`code`: the maneuver), unlisted_absent (the modality), unreadable_blank (the column)
    or first_of_repeats (blank).
    """

    table: str
    assumption: str
    code: str
    lines: int


@dataclass(frozen=True)
class Unplaced:
    """Cells that no code of a mapping places, with their count; `value` is None where it may identify a person.

    `values` counts the different values behind a None.
    """

    table: str
    column: str
    value: str | None
    values: int
    lines: int


@dataclass(frozen=True)
class Preview:
    """The first rows of a table that pass the gate, blanks as empty texts."""

    table: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class BatchReport:
    """What became of a batch; `batch_no` is None for a check that stored nothing.

    `passed_over` counts files of the given folders that hold no records. `same_as` is an earlier batch of files with
    the same bytes; `refused` says why ingest would refuse the batch as a whole. `seal` is the hash of
    the batch in the registry's log, to be kept elsewhere. `withdrawn` counts those whose withdrawal came with it.
    """

    batch_no: int | None
    operator: str | None
    tool_version: str
    tables: tuple[TableCount, ...]
    files: tuple[FileCount, ...]
    held_back: tuple[HeldBack, ...]
    intake: tuple[IntakeCheck, ...]
    passed_over: int
    exports: tuple[ExportCount, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    previews: tuple[Preview, ...] = ()
    unplaced: tuple[Unplaced, ...] = ()
    same_as: int | None = None
    refused: str | None = None
    seal: str | None = None
    withdrawn: int = 0

    @property
    def is_clean(self) -> bool:
        """Whether no line was held back or in conflict."""
        return not self.held_back

    def none_stored(self) -> tuple[str, ...]:
        """Return a sentence for each table that sent lines of which none was stored or was there: why, and the mend."""
        return tuple(
            self._said_of_none(one)
            for one in self.tables
            if one.lines and not (one.stored or one.unchanged) and one.held_back + one.conflict
        )

    def _said_of_none(self, table: TableCount) -> str:
        kinds = ("held back", table.held_back), ("in conflict", table.conflict), ("waiting", table.waiting)
        why = ", ".join(f"{lines:,} {kind}" for kind, lines in kinds if lines)
        broken = [held for held in self.held_back if held.table == table.table]
        most = f", most by {max(broken, key=lambda one: one.lines).rule}" if broken else ""
        others = sum(one.waiting for one in self.tables if table.table == "exams")
        lines = "line of another table waits" if others == 1 else "lines of other tables wait"
        wait = f" {others:,} {lines} for them." if others else ""
        is_stored, then = self.batch_no is not None, "look at what is listed, mend the files, then"
        mend = "send them again with `examtally retry`" if is_stored else "`examtally check` them again"
        return (
            f"No line of {table.table} {'was' if is_stored else 'would be'} stored: of {table.lines:,}, {why}{most}."
            f"{wait} Mend: {then} {mend}."
        )

    def place(self, run: LineRun) -> str:
        """Return where lines are in words: sheet and cells of a workbook, else the lines (and their file)."""
        is_one = run.first == run.last
        sheet = next((one.sheet for one in self.exports if one.file_no == run.file_no), None)
        if sheet is not None:
            of_several = sum(one.sheet == sheet for one in self.exports) > 1
            sheet = f"{run.file_no}:{sheet}" if of_several else sheet
            if not run.column:
                return f"{sheet} row {run.first}" if is_one else f"{sheet} rows {run.first}-{run.last}"
            letters = column_letters(run.column)
            return f"{sheet}!{letters}{run.first}" + ("" if is_one else f":{letters}{run.last}")
        several = len(self.exports) > 1 if self.exports else len(self.files) > len(self.tables)
        place = (f"{run.file_no}:" if several else "") + (f"{run.first}" if is_one else f"{run.first}-{run.last}")
        return place if run.column is None else f"{place} column {run.column}"

    def to_json(self) -> str:
        """Return the report as JSON, keys in declared order."""
        return json.dumps(asdict(self), indent=2)


def table_counts(files: Iterable[FileCount], **further: Mapping[str, int]) -> tuple[TableCount, ...]:
    """Add the counts of files up to those of tables, in the order of the files; one may have released lines only.

    `further` are the counts by table of lines released, amended and filled.
    """
    files, released = tuple(files), further["released"]
    names = dict.fromkeys([*(file.table for file in files), *(name for name, lines in released.items() if lines)])
    places = ("lines", "stored", "unchanged", "conflict", "waiting", "held_back")
    counts = []
    for name in names:
        own = [file for file in files if file.table == name]
        totals = {place: sum(getattr(file, place) for file in own) for place in places}
        extra = {place: lines.get(name, 0) for place, lines in further.items()}
        counts.append(TableCount(table=name, files=len(own), **extra, **totals))
    return tuple(counts)

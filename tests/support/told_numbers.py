"""Numbers of a rendered page beside the result files: pages read as HTML, files by DuckDB, no code of the reports.

A shown number agrees where the value of the file lies within half a unit of its last digit.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import unescape
from pathlib import Path
from typing import Any

import duckdb
from page_text import Cell, Page

from examtally.contracts.contract import load_contract

_NUMBER = re.compile(r"(?<![\w.])([<>]?)([+−]?\d[\d,]*(?:\.\d+)?)(?![\d,]*\d)")
_NO_NUMBER = re.compile(r"95% CI|AC1|(?<=suspicion of )30%")
_CONTRACT = load_contract()
_NAMED = {
    item.name.lower(): item.code
    for kind in (_CONTRACT.catalogue.maneuvers, _CONTRACT.catalogue.conditions)
    for item in kind.values()
}
_BOTH = ("sensitivity", "specificity")
Values = Sequence[float | None]


@dataclass(frozen=True)
class Told:
    """What a page shows in one place, and the values of the files for it, in the order in which they are shown."""

    where: str
    shown: str
    values: Values

    @property
    def numbers(self) -> list[tuple[str, str]]:
        """The numbers shown, each with the sign of an inequality before it."""
        return _NUMBER.findall(_NO_NUMBER.sub("", self.shown))

    @property
    def faults(self) -> list[str]:
        """What is shown and is not in the files."""
        if len(self.numbers) > len(self.values):
            return [f"{self.where}: {self.shown!r} shows more than {self.values}"]
        pairs = zip(self.numbers, self.values, strict=False)
        return [
            f"{self.where}: {self.shown!r} beside {value}" for number, value in pairs if not _agrees(*number, value)
        ]


def _agrees(sign: str, written: str, value: float | None) -> bool:
    digits = written.replace(",", "").replace("−", "-")
    number, half = float(digits), 0.5 * 10.0 ** -len(digits.partition(".")[2])
    if value is None:
        return False
    if sign:
        return 0 < value < number if sign == "<" else number < value < 100
    return abs(value - number) <= half + 1e-9


class Files:
    """The tables of a results folder, those about persons among them."""

    def __init__(self, results: Path) -> None:
        self._results = results
        self._con = duckdb.connect()

    def rows(self, table: str, **where: Any) -> list[dict[str, Any]]:
        """The rows of a table in which these columns have these values."""
        found = [path for path in (self._results, self._results / "examiners") if (path / f"{table}.parquet").is_file()]
        files = [str(path / f"{table}.parquet") for path in found]
        asked = " and ".join(f'"{column}" = ?' for column in where) or "true"
        said = self._con.execute(f"select * from read_parquet(?) where {asked}", [files, *where.values()])
        names = [column[0] for column in said.description or ()]
        return [dict(zip(names, row, strict=True)) for row in said.fetchall()]

    def row(self, table: str, **where: Any) -> dict[str, Any]:
        """The only such row."""
        (row,) = self.rows(table, **where)
        return row


def code(name: str) -> str:
    """The code of the maneuver or condition of this name; KeyError where there is none."""
    return _NAMED[name.strip().lower()]


def _words(cell: Cell) -> str:
    return f"{cell.large.strip()} {cell.small.strip()}"


def _hundred(row: dict[str, Any], *names: str) -> list[float | None]:
    return [None if row[name] is None else 100 * row[name] for name in names]


def _leading(row: dict[str, Any]) -> list[Values]:
    shares = [_hundred(row, one, f"{one}_low", f"{one}_high") for one in _BOTH]
    ratios = [[row[one], row[f"{one}_low"], row[f"{one}_high"]] for one in ("lr_positive", "lr_negative")]
    expected, rest = row["expected_present"], row["expected_absent"]
    return [*shares, *ratios, [row["verified"], *([] if rest is None else [expected + rest, expected])]]


def _row(where: str, cells: Sequence[Cell], values: Sequence[Values]) -> Iterator[Told]:
    for cell, each in zip(cells, values, strict=False):
        yield Told(where, _words(cell), each)


def leading(page: Page, files: Files) -> Iterator[Told]:
    """Leading estimates: the condition stands over the rows, beneath the maneuver or in the caption."""
    for table in page.tables:
        columns = " ".join(table.columns())
        if "expected to have it" not in columns:
            continue
        caption = re.sub(r"^Table \d+: ", "", table.caption.strip()).split(":")[0]
        for group, cells in table.rows:
            condition, maneuver = code(group or cells[0].small or caption), code(cells[0].large)
            row = files.row("leading", condition=condition, maneuver=maneuver, group_by="overall")
            yield from _row(f"{caption}, {maneuver}", cells[1:], _leading(row))


def found_here(page: Page, files: Files) -> Iterator[Told]:
    """Our likelihood ratios in the list of maneuvers."""
    for table in page.tables:
        for _, cells in table.rows if "What each maneuver is worth" in table.caption else ():
            if _NUMBER.search(cells[3].large + cells[4].large):  # else there may be no condition
                key = {"maneuver": code(cells[0].large), "condition": code(cells[1].large)}
                yield from _row(
                    table.caption, cells[3:5], _leading(files.row("leading", group_by="overall", **key))[2:4]
                )


def verified(page: Page, files: Files) -> Iterator[Told]:
    """Verified knees as they are, with n / N."""
    for table in page.tables:
        named = re.fullmatch(
            r"Table \d+: (.*): verified knees only, 95% interval and n / N beneath", table.caption.strip()
        )
        for _, cells in table.rows if named else ():
            assert named is not None
            key = {"condition": code(named[1]), "maneuver": code(cells[0].large), "group_by": "overall"}
            rows = {row["measure"]: row for row in files.rows("accuracy", adjustment="none", **key)}
            shares = [
                [*_hundred(rows[one], "estimate", "ci_low", "ci_high"), rows[one]["events"], rows[one]["n"]]
                if rows[one]["display"] == "estimate"
                else [rows[one]["events"], rows[one]["n"]]
                for one in _BOTH
            ]
            ratios = [
                [rows[one][name] for name in ("estimate", "ci_low", "ci_high")]
                for one in ("lr_positive", "lr_negative")
            ]
            yield from _row(table.caption, cells[1:], [*shares, *ratios])


def agreement(page: Page, files: Files) -> Iterator[Told]:
    """Agreement of any two examiners, and of learners with supervisors."""
    for table in page.tables:
        by = re.match(
            r"Table \d+: (Any two examiners|Learner and supervisor|Learners and supervisors):", table.caption.strip()
        )
        if not by:
            continue
        named = {
            "observed": "observed_agreement", "agreement": "observed_agreement", "positives": "positive_agreement",
            "negatives": "negative_agreement", "ac1": "gwet_ac1",
        }  # fmt: skip
        key = {"group_by": "overall" if "Any" in by[1] else "learner_supervisor"}
        for _, cells in table.rows:
            for column, cell in zip(table.columns(), cells, strict=True):
                last = column.split()[-1].lower()
                statistic = named.get(last, "observed_agreement" if "Pairs" in column else "")
                if statistic:
                    row = files.row("agreement", maneuver=code(cells[0].large), statistic=statistic, **key)
                    three = [row[name] for name in ("estimate", "ci_low", "ci_high")]
                    shares = _hundred(row, "estimate", "ci_low", "ci_high")
                    values = (
                        [row["pairs"], row["participants"]] if "Pairs" in column else three if last == "ac1" else shares
                    )
                    yield Told(f"{table.caption.strip()}, {column}", _words(cell), values)


def pooled(page: Page, files: Files) -> Iterator[Told]:
    """Several groups together: the figure over all, where a further group would lie, and how many groups."""
    for table in page.tables:
        for group, cells in table.rows if "Accuracy over all groups" in table.caption else ():
            key = {"condition": code(group), "maneuver": code(cells[0].large), "without": "all"}
            measure = cells[1].large.strip().lower()
            row = files.row("pooled_sites", measure=measure, adjustment="bias_adjusted", **key)
            new = _hundred(row, "predict_low", "predict_high")
            yield from _row(group, cells[2:4], [_hundred(row, "estimate", "ci_low", "ci_high"), new])
            yield from _row(group, cells[5:], [[row["sites"]]])


def card(page: Page, files: Files) -> Iterator[Told]:
    """What a finding makes of a suspicion: ratio and limits, then their work on the odds of each column."""
    (table,) = page.tables
    caption = re.sub(r"^Table \d+: ", "", table.caption.strip()).split(":")[0]
    for group, cells in table.rows:
        row = files.row("leading", condition=code(caption), maneuver=code(group.split(":")[0]), group_by="overall")
        ratios = [row[f"lr_{cells[0].large.strip()}{end}"] for end in ("", "_low", "_high")]
        yield Told(group, _words(cells[1]), ratios)
        for column, cell in zip(table.columns()[2:], cells[2:], strict=True):
            (before,) = re.findall(r"(\d+)%", column)
            yield Told(group, _words(cell), [_after(int(before) / 100, ratio) for ratio in ratios])


def _after(before: float, ratio: float | None) -> float | None:
    odds = None if ratio is None else before / (1 - before) * ratio
    return None if odds is None else 100 * odds / (1 + odds)


def by_examiner(page: Page, files: Files) -> Iterator[Told]:
    """Verified knees of each examiner under a drawn code: one of the rows of the files has the figures shown."""
    for table in page.tables:
        named = re.fullmatch(r"Table \d+: (.*?), (.*), by examiner", table.caption.strip())
        for _, cells in table.rows if named else ():
            assert named is not None
            key = {
                "condition": code(named[2]),
                "maneuver": code(named[1]),
                "group_by": "examiner",
                "adjustment": "none",
            }
            for measure in _BOTH:
                columns = [" ".join(column.lower().split()) for column in table.columns()]
                place = columns.index(f"{measure} verified knees only")
                rows = files.rows("accuracy", measure=measure, **key)
                yield _nearest(table.caption, _words(cells[place]), [_own(row) for row in rows])


def _own(row: dict[str, Any]) -> list[float | None]:
    limits = _hundred(row, "estimate", "ci_low", "ci_high") if row["display"] == "estimate" else []
    return [*limits, row["events"], row["n"]]


def _nearest(where: str, shown: str, choice: Sequence[Values]) -> Told:
    told = [Told(where, shown, values) for values in choice]
    return next((one for one in told if not one.faults), told[0])


def own_sheet(page: Page, files: Files, examiner: str) -> Iterator[Told]:
    """An examiner's own verified knees, and own agreement with supervisors."""
    for table in page.tables:
        for group, cells in table.rows:
            if "Your figures" in table.caption:
                maneuver, condition = group.split(", ", 1)
                row = files.row(
                    "accuracy", condition=code(condition), maneuver=code(maneuver), group_by="examiner", group=examiner,
                    adjustment="none", measure=cells[0].large.strip().lower(),
                )  # fmt: skip
                yield Told(group, _words(cells[3]), _own(row))
            elif re.search("You and your colleagues|Other maneuvers", table.caption):
                by = {"a supervisor": "examiner_supervisor", "any colleague": "examiner"}[cells[1].large.strip()]
                key = {"maneuver": code(cells[0].large), "group_by": by, "group": examiner}
                shared, beyond = (
                    files.row("agreement", statistic=one, **key) for one in ("observed_agreement", "gwet_ac1")
                )
                values = [_hundred(shared, "estimate", "ci_low", "ci_high"), [beyond["estimate"]], [shared["pairs"]]]
                yield from _row(cells[0].large, cells[2:], values)


def intake(page: Page, files: Files, batch: int) -> Iterator[Told]:
    """Where every line of a batch went."""
    (table,) = (one for one in page.tables if "every line of this batch" in one.caption)
    rows = files.rows("batches", batch_no=batch)
    for _, cells in table.rows:
        first = cells[0].large.strip().lower()
        (row,) = (
            row
            for row in rows
            if row["table"]
            == {"stated probabilities": "impressions", "reference results": "references"}.get(first, first)
        )
        columns = ("lines", "stored", "unchanged", "conflict", "waiting", "held_back")
        yield from _row(first, cells[1:], [[row[name]] for name in columns])


_BEGINS = r"(?:(?<=alt=\")|(?<=; )|(?<=\. ))"  # of an alternative text, or of a sentence or part of one
_SUSPICION = re.compile(
    _BEGINS + r"([^.;:\"]+): ([^;:\"]+?) after a negative finding [^;:\"]+?, (\d[^;:\"]+?) after a positive one"
)
_MONTH = re.compile(
    _BEGINS + r"([^.;:\"]+): \d+ points, [^.]*?follow-up complete (P\d+): ([\d,]+ of [\d,]+ \([^)]*\), usually \S+%)"
)
_TECHNIQUE = re.compile(
    r"one technique for ([^<>.]*) in a session.{0,200}?least on it: (\S+) beyond chance .{0,40}?; (\d+) pairs", re.S
)
_STILL = re.compile(r"suspicion of 30% is still ([^:<>]*?):")
_AFTER_ONE = re.compile(r"(\d+% \(95% CI [^)]*\)) after a negative (.+?)(?= and \d|, \d|$)")
_COMPLETE = re.compile(r"last 12 periods the core exam was complete in ([\d,]+ of [\d,]+ \(\d+%\))")
_SLOPE = re.compile(r"([A-Z][^:<>,]*), stated after the [^:]*: \w+ \(slope (\S+), 95% CI (\S+ to [^;]*);")
_OWN = re.compile(r"([^.:;\"]+?) (sensitivity|specificity) (\d+% \(\d+–\d+%\)), the others")
_INDICATORS = {"examiner did not know the result": "examiner_blinded", "equivocal findings": "equivocal"}


def in_words(html: str, files: Files) -> Iterator[Told]:
    """What figures say to those who do not see them, and sentences: suspicions after a finding, months, agreement."""
    text = unescape(re.sub(r"<style.*?</style>|<script.*?</script>|data:[^\"')]*", "", html, flags=re.S))
    for name, *both in _SUSPICION.findall(text):
        maneuver, _, condition = name.strip().partition(" (")
        rows = files.rows("leading", maneuver=code(maneuver), group_by="overall")
        rows = [row for row in rows if not condition or row["condition"] == code(condition.rstrip(")"))]
        for finding, shown in zip(("negative", "positive"), both, strict=True):
            choice = [[_after(0.3, row[f"lr_{finding}{end}"]) for end in ("", "_low", "_high")] for row in rows]
            yield _nearest(name, shown, choice)
    for name, period, shown in _MONTH.findall(text):
        indicator = _INDICATORS.get(name.lower(), name.lower().replace(" ", "_"))
        for row in files.rows("indicators", period=period, group_by="overall", indicator=indicator):
            yield Told(name, shown, [row["numerator"], row["denominator"], *_hundred(row, "value", "centre")])
    for name, beyond, pairs in _TECHNIQUE.findall(text):
        row = files.row("agreement", maneuver=code(name), group_by="overall", statistic="gwet_ac1")
        yield Told(name, f"{beyond} {pairs}", [row["estimate"], row["pairs"]])
    for shown, name in (found for said in _STILL.findall(text) for found in _AFTER_ONE.findall(said)):
        rows = files.rows("leading", maneuver=code(name), group_by="overall")
        choice = [[_after(0.3, row[f"lr_negative{end}"]) for end in ("", "_low", "_high")] for row in rows]
        yield _nearest(name, shown, choice)
    for shown in _COMPLETE.findall(text):
        rows = files.rows("indicators", group_by="overall", indicator="core_complete", mature=True)
        last = sorted(rows, key=lambda row: str(row["period"]))[-12:]
        part, whole = (sum(row[side] for row in last) for side in ("numerator", "denominator"))
        yield Told("core exam", shown, [part, whole, 100 * part / whole])
    for name, slope, limits in _SLOPE.findall(text):
        rows = files.rows("calibration", condition=code(name), measure="slope", group_by="overall")
        choice = [[row["estimate"], row["ci_low"], row["ci_high"]] for row in rows]
        yield _nearest(name, f"{slope} {limits}", choice)
    for name, measure, shown in _OWN.findall(text):
        pooled = {"group_by": "examiner", "adjustment": "pooled_bias_adjusted"}
        rows = files.rows("accuracy", maneuver=code(name), measure=measure, **pooled)
        yield _nearest(name, shown, [_hundred(row, "estimate", "ci_low", "ci_high") for row in rows])

"""Which of two maneuvers does better on the same knees, and whether one does as well in one group as in another."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.reporting.audit.audit import BOTH, Audit
from examtally.reporting.engine.aims import AIMS, LEADING, fold
from examtally.reporting.engine.numbers import count, counted, percent, points
from examtally.reporting.engine.tables import Column, download, table
from examtally.reporting.engine.wording import inside_sentence

NOT_BLIND = "Two maneuvers by one pair of hands are not blind to each other."
_GROUPS_DIFFER = (
    "The groups hold different patients: a difference may come from whom they see as well as from the hands."
)
_COLUMNS = (
    Column("pair", "First against second"),
    Column("sensitivity", "Sensitivity", "First less second, points"),
    Column("specificity", "Specificity", "First less second, points"),
    Column("knees", "Verified «nouns»\nwith it, without"),
)
_VERIFIED = (
    Column("measure", "Measure"),
    Column("first", "First"),
    Column("second", "Second"),
    Column("difference", "First less second, points"),
    Column("alone", "«Nouns» right by one alone"),
)
_NAMED = 3  # differences told in words
_ORDERS = {"a_first": "done first", "b_first": "done second"}


@dataclass(frozen=True)
class MeasureComparison:
    """One measure of two maneuvers on the same knees; `is_shown` is false where too few people stand behind it."""

    first: float | None
    second: float | None
    value: float | None
    low: float | None
    high: float | None
    n: int
    only_first: int
    only_second: int
    is_shown: bool
    note: str = ""

    @classmethod
    def of(cls, row: Mapping[str, Any], fewest: int) -> MeasureComparison:
        """Read a row of the table `comparisons`."""
        is_shown = row["difference"] is not None and row["flag"] != "too_few" and row["participants"] >= fewest
        return cls(
            row["estimate_a"], row["estimate_b"], row["difference"], row["ci_low"], row["ci_high"],
            row["n"], row["only_a"], row["only_b"], is_shown, row["note"] or "",
        )  # fmt: skip

    @property
    def is_clear(self) -> bool:
        """Whether the interval leaves out 0."""
        return self.is_shown and None not in (self.low, self.high) and not (self.low or 0) <= 0 <= (self.high or 0)

    @property
    def cell(self) -> str:
        """The difference with its limits, in percentage points."""
        if not self.is_shown:
            return f"too few\n{counted(self.n, '«noun»')}" if self.n else "–"
        limits = f"{points(self.low)} to {points(self.high)}" if self.low is not None else ""
        return f"{points(self.value)}\n{limits}"


def comparison_block(audit: Audit, condition: Condition) -> str:
    """The declared pairs of one condition; empty where no two maneuvers were done on the same verified knees."""
    pairs = [
        pair
        for pair in _pairs(audit, condition)
        if any(_compared(audit, condition, pair, measure, "none").n for measure in BOTH)
    ]
    if not pairs:
        return ""
    parts = [_said(audit, condition, pairs), _table(audit, condition, pairs)]
    beneath = (_verified(audit, condition, pairs), _by_order(audit, condition, pairs))
    inner = "\n\n".join(part.strip("\n") for part in beneath if part)
    parts.append(fold("The same pairs on verified «nouns» only", f"\n{inner}\n"))
    parts.append(_between_groups(audit, condition))
    return "\n\n".join(part.strip("\n") for part in parts if part)


def _pairs(audit: Audit, condition: Condition) -> tuple[tuple[str, str], ...]:
    """The family of pairs that the protocol declares, in its order."""
    return audit.protocol.comparisons.family.get(condition.code, ())


def _compared(
    audit: Audit, condition: Condition, pair: tuple[str, str], measure: str, adjustment: str = "bias_adjusted",
    group_by: str = "overall", group: str = "all",
) -> MeasureComparison:  # fmt: skip
    rows = audit.table("comparisons").filter(
        condition=condition.code, maneuver_a=pair[0], maneuver_b=pair[1], measure=measure, contrast="difference",
        adjustment=adjustment, group_by=group_by, group=group,
    )  # fmt: skip
    if rows.is_empty():
        return MeasureComparison(None, None, None, None, None, 0, 0, 0, is_shown=False)
    return MeasureComparison.of(rows.row(0, named=True), audit.min_participants)


def _names(audit: Audit, pair: tuple[str, str]) -> tuple[str, str]:
    maneuvers = audit.catalogue.maneuvers
    return maneuvers[pair[0]].name, maneuvers[pair[1]].name


def _said(audit: Audit, condition: Condition, pairs: Sequence[tuple[str, str]]) -> str:
    """Which differences stand, in words; that none does; or why nothing can be said."""
    found = [_compared(audit, condition, pair, measure) for pair in pairs for measure in BOTH]
    if not any(one.is_shown for one in found):
        return next((one.note for one in found if one.note), "Too few «nouns» to compare.")
    clear = sorted((one for pair in pairs for one in _clear(audit, condition, pair)), reverse=True)
    if clear:
        rest = len(clear) - _NAMED
        more = f"The table shows {counted(rest, 'smaller difference')} whose interval leaves out 0." if rest > 0 else ""
        return "\n".join(["On the same «nouns»:", "", *(text for _, text in clear[:_NAMED]), "", more])
    one = "This pair differs" if len(pairs) == 1 else f"None of these {len(pairs)} pairs differs"
    more = "no more" if len(pairs) == 1 else "more"
    return f"{one} {more} than chance explains. That is not to say that they are equal: the intervals show how far off."


def _clear(audit: Audit, condition: Condition, pair: tuple[str, str]) -> Iterator[tuple[float, str]]:
    """The differences whose interval leaves out 0, each with its size."""
    first, second = _names(audit, pair)
    for measure in BOTH:
        found = _compared(audit, condition, pair, measure)
        if found.is_clear and found.value is not None:
            better, worse = (first, second) if found.value > 0 else (second, first)
            low, high = sorted(abs(limit or 0.0) for limit in (found.low, found.high))
            yield (
                abs(found.value),
                (
                    f"- **{better}** has the higher {measure} than **{inside_sentence(worse)}**, by "
                    f"{_whole(abs(found.value))} points (95% CI {_whole(low)} to {_whole(high)})."
                ),
            )


def _whole(share: float) -> str:
    """Percentage points without a sign, 0 printed as 0.

    >>> _whole(0.0004), _whole(0.13)
    ('0', '13')
    """
    return f"{100 * share:.0f}"


def _table(audit: Audit, condition: Condition, pairs: Sequence[tuple[str, str]]) -> str:
    rows = []
    for pair in pairs:
        found = {measure: _compared(audit, condition, pair, measure) for measure in BOTH}
        first, second = _names(audit, pair)
        knees = [count(_compared(audit, condition, pair, measure, "none").n) for measure in BOTH]
        rows.append(
            {"pair": f"{first}\nagainst {inside_sentence(second)}", "knees": ", ".join(knees)}
            | {measure: one.cell for measure, one in found.items()}
        )
    caption = f"{condition.name}: two maneuvers on the same «nouns», imaged or not. {NOT_BLIND}"
    kept = audit.table("comparisons").filter(condition=condition.code, group_by="overall")
    return table(pl.DataFrame(rows), _COLUMNS, caption=caption) + download(
        _csv(kept, audit.min_participants), f"comparisons-{condition.code}"
    )


def _verified(audit: Audit, condition: Condition, pairs: Sequence[tuple[str, str]]) -> str:
    """Both maneuvers of each pair as counted on verified knees, and those that one alone had right."""
    rows = []
    for pair in pairs:
        first, second = _names(audit, pair)
        for measure in BOTH:
            found = _compared(audit, condition, pair, measure, "none")
            shown = (found.first, found.second) if found.is_shown else (None, None)
            rows.append(
                {
                    "pair": f"{first} against {inside_sentence(second)}",
                    "measure": f"{measure.capitalize()}\n{counted(found.n, '«noun»')}",
                    "first": percent(shown[0]),
                    "second": percent(shown[1]),
                    "difference": found.cell,
                    "alone": f"{count(found.only_first)} and {count(found.only_second)}" if found.n else "–",
                }
            )
    caption = f"{condition.name}: two maneuvers, {AIMS['none'].name}"
    return table(pl.DataFrame(rows), _VERIFIED, caption=caption, group="pair")


def _csv(rows: pl.DataFrame, fewest: int) -> pl.DataFrame:
    """The figures to take away; what too few people stand behind is left empty, its counts kept."""
    hidden = (pl.col("participants") < fewest) | (pl.col("flag") == "too_few").fill_null(value=False)
    figures = ("estimate_a", "estimate_b", "difference", "ci_low", "ci_high", "p_value", "p_adjusted")
    return rows.select(
        "maneuver_a", "maneuver_b", "adjustment", "measure", "contrast",
        *(pl.when(hidden).then(None).otherwise(pl.col(name)).alias(name) for name in figures),
        "test", "n", "only_a", "only_b", "participants", "note",
    )  # fmt: skip


def _by_order(audit: Audit, condition: Condition, pairs: Sequence[tuple[str, str]]) -> str:
    """Whether it matters which came first, where the order was recorded."""
    rows = []
    for pair in pairs:
        first, second = _names(audit, pair)
        for group, words in _ORDERS.items():
            cells = {m: _compared(audit, condition, pair, m, "none", "done_order", group) for m in BOTH}
            if any(cell.is_shown for cell in cells.values()):
                pair_name = f"{first} against {inside_sentence(second)}"
                known = f"{count(cells['sensitivity'].n)} with it, {count(cells['specificity'].n)} without"
                rows.append(
                    {"pair": pair_name, "order": f"{first} {words}\n{known}"} | {m: cells[m].cell for m in BOTH}
                )
    if not rows:
        return ""
    columns = (
        Column("order", "Order"),
        Column("sensitivity", "Sensitivity, points"),
        Column("specificity", "Specificity, points"),
    )
    caption = (
        f"{condition.name}: first less second by which was done first, {AIMS['none'].name}, where the order was "
        "written down"
    )
    return table(pl.DataFrame(rows), columns, caption=caption, group="pair")


def _between_groups(audit: Audit, condition: Condition) -> str:
    """One maneuver in two groups of exams by the leading estimate, where both have enough people."""
    found = audit.table("interactions").filter(condition=condition.code, adjustment="bias_adjusted")
    rows = [
        {
            "maneuver": audit.catalogue.maneuvers[row["maneuver"]].name,
            "groups": f"{_group(audit, row, 'group_a')} against {_group(audit, row, 'group_b')}",
            "measure": row["measure"].capitalize(),
            "first": f"{percent(row['estimate_a'])}\n{counted(row['n_a'], '«noun»')}",
            "second": f"{percent(row['estimate_b'])}\n{counted(row['n_b'], '«noun»')}",
            "difference": f"{points(row['difference'])}\n{points(row['ci_low'])} to {points(row['ci_high'])}",
        }
        for row in found.iter_rows(named=True)
        if None not in (row["difference"], row["ci_low"]) and min(row["n_a"], row["n_b"]) >= audit.min_participants
    ]
    if not rows:
        return ""
    columns = (
        Column("measure", "Measure"),
        Column("groups", "Groups", words=True),
        Column("first", "First"),
        Column("second", "Second"),
        Column("difference", "First less second, points"),
    )
    frame = pl.DataFrame(rows).sort("maneuver", "groups", maintain_order=True)
    caption = f"{condition.name}: one maneuver in two groups of exams. {LEADING} {_GROUPS_DIFFER}"
    return fold("In one group against another", table(frame, columns, caption=caption, group="maneuver"))


def _group(audit: Audit, row: Mapping[str, Any], side: str) -> str:
    return inside_sentence(audit.group_name(row["group_by"], row[side]))

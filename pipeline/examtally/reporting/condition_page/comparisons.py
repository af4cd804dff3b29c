"""Which of two maneuvers does better on the same knees, and whether one does as well in one group as in another."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.reporting.audit.audit import BOTH, Audit
from examtally.reporting.engine.numbers import count, counted, percent, points
from examtally.reporting.engine.tables import Column, details, download, table
from examtally.reporting.engine.wording import inside_sentence

NOT_BLIND = "Two maneuvers by one pair of hands are not blind to each other."
_WHY = (
    f"{NOT_BLIND} Whoever has felt one knows what to expect of the other, so that they look more alike, or more "
    "different, than in two pairs of hands."
)
_GROUPS_DIFFER = (
    "The groups hold different people, imaged or operated on, not corrected for who was: a difference may come from "
    "whom they see and image as well as from the hands."
)
_COLUMNS = (
    Column("measure", "Measure"),
    Column("first", "First"),
    Column("second", "Second"),
    Column("difference", "First less second, points"),
    Column("alone", "Knees right by one alone"),
    Column("corrected", "Corrected for who was imaged, points"),
)
_ORDERS = {"a_first": "done first", "b_first": "done second"}


@dataclass(frozen=True)
class MeasureComparison:
    """One measure of two maneuvers on the same knees; `is_shown` is false where too few people stand behind it."""

    first: float | None
    second: float | None
    value: float | None
    low: float | None
    high: float | None
    p_value: float | None
    p_adjusted: float | None
    n: int
    only_first: int
    only_second: int
    is_shown: bool

    @classmethod
    def of(cls, row: Mapping[str, Any], fewest: int) -> MeasureComparison:
        """Read a row of the table `comparisons`."""
        is_shown = row["difference"] is not None and row["flag"] != "too_few" and row["participants"] >= fewest
        return cls(
            row["estimate_a"], row["estimate_b"], row["difference"], row["ci_low"], row["ci_high"],
            row["p_value"], row["p_adjusted"], row["n"], row["only_a"], row["only_b"], is_shown,
        )  # fmt: skip

    @property
    def is_clear(self) -> bool:
        """Whether the difference stands after allowing for the number of comparisons."""
        return self.is_shown and self.p_adjusted is not None and self.p_adjusted < 0.05

    @property
    def cell(self) -> str:
        """The difference with its limits, in percentage points."""
        if not self.is_shown:
            return f"too few\n{counted(self.n, 'knee')}" if self.n else "–"
        limits = f"{points(self.low)} to {points(self.high)}" if self.low is not None else ""
        return f"{points(self.value)}\n{limits}"


def comparison_block(audit: Audit, condition: Condition) -> str:
    """The declared pairs of one condition; empty where no two maneuvers were done on the same verified knees."""
    pairs = [pair for pair in _pairs(audit, condition) if any(_compared(audit, condition, pair, m).n for m in BOTH)]
    if not pairs:
        return ""
    clear = [text for pair in pairs for text in _clear(audit, condition, pair)]
    parts = [
        _WHY,
        "\n".join(["On the same knees:", "", *clear]) if clear else _nothing_clear(pairs),
        _table(audit, condition, pairs),
        _by_order(audit, condition, pairs),
        _between_groups(audit, condition),
    ]
    return "\n\n".join(part.strip("\n") for part in parts if part)


def _pairs(audit: Audit, condition: Condition) -> tuple[tuple[str, str], ...]:
    """The family of pairs that the protocol declares, in its order."""
    return audit.protocol.comparisons.family.get(condition.code, ())


def _compared(
    audit: Audit, condition: Condition, pair: tuple[str, str], measure: str, adjustment: str = "none",
    group_by: str = "overall", group: str = "all",
) -> MeasureComparison:  # fmt: skip
    rows = audit.table("comparisons").filter(
        condition=condition.code, maneuver_a=pair[0], maneuver_b=pair[1], measure=measure, contrast="difference",
        adjustment=adjustment, group_by=group_by, group=group,
    )  # fmt: skip
    if rows.is_empty():
        return MeasureComparison(None, None, None, None, None, None, None, 0, 0, 0, is_shown=False)
    return MeasureComparison.of(rows.row(0, named=True), audit.min_participants)


def _names(audit: Audit, pair: tuple[str, str]) -> tuple[str, str]:
    maneuvers = audit.catalogue.maneuvers
    return maneuvers[pair[0]].name, maneuvers[pair[1]].name


def _clear(audit: Audit, condition: Condition, pair: tuple[str, str]) -> Iterator[str]:
    """What stands after allowing for the number of comparisons, in words."""
    first, second = _names(audit, pair)
    for measure in BOTH:
        found = _compared(audit, condition, pair, measure)
        if found.is_clear and found.value is not None:
            better, worse = (first, second) if found.value > 0 else (second, first)
            values = (found.first, found.second) if found.value > 0 else (found.second, found.first)
            right = "found by" if measure == "sensitivity" else "called negative by"
            knees = "with" if measure == "sensitivity" else "without"
            most = max(found.only_first, found.only_second)
            least = min(found.only_first, found.only_second)
            yield (
                f"- **{better}** has the higher {measure} than **{inside_sentence(worse)}**: {percent(values[0])} "
                f"against {percent(values[1])} of {counted(found.n, 'knee')} {knees} the condition; "
                f"{count(most)} {right} it alone, {count(least)} by the other alone."
            )


def _nothing_clear(pairs: Sequence[tuple[str, str]]) -> str:
    one = "This pair differs" if len(pairs) == 1 else f"None of these {len(pairs)} pairs differs"
    more = "no more" if len(pairs) == 1 else "more"
    return f"{one} {more} than chance explains. That is not to say that they are equal: the intervals show how far off."


def _table(audit: Audit, condition: Condition, pairs: Sequence[tuple[str, str]]) -> str:
    rows = [
        {"pair": f"{_names(audit, pair)[0]} against {inside_sentence(_names(audit, pair)[1])}: same hands, not blind"}
        | _row(audit, condition, pair, measure)
        for pair in pairs
        for measure in BOTH
    ]
    level = percent(audit.protocol.intervals.level)
    caption = f"{condition.name}: two maneuvers on the same knees, {level} interval beneath. {NOT_BLIND}"
    kept = audit.table("comparisons").filter(condition=condition.code, group_by="overall")
    return table(pl.DataFrame(rows), _COLUMNS, caption=caption, group="pair") + download(
        _csv(kept, audit.min_participants), f"comparisons-{condition.code}"
    )


def _row(audit: Audit, condition: Condition, pair: tuple[str, str], measure: str) -> dict[str, str]:
    found = _compared(audit, condition, pair, measure)
    corrected = _compared(audit, condition, pair, measure, "verification")
    shown = (found.first, found.second) if found.is_shown else (None, None)
    return {
        "measure": f"{measure.capitalize()}\n{counted(found.n, 'knee')}",
        "first": percent(shown[0]),
        "second": percent(shown[1]),
        "difference": found.cell,
        "alone": f"{count(found.only_first)} and {count(found.only_second)}" if found.n else "–",
        "corrected": corrected.cell if corrected.is_shown else "–",
    }


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
            cells = {m: _compared(audit, condition, pair, m, group_by="done_order", group=group) for m in BOTH}
            if any(cell.is_shown for cell in cells.values()):
                pair_name = f"{first} against {inside_sentence(second)}"
                rows.append({"pair": pair_name, "order": f"{first} {words}"} | {m: cells[m].cell for m in BOTH})
    if not rows:
        return ""
    columns = (
        Column("order", "Order"),
        Column("sensitivity", "Sensitivity, points"),
        Column("specificity", "Specificity, points"),
    )
    caption = f"{condition.name}: first less second, by which was done first. {NOT_BLIND}"
    return details("By which was done first", table(pl.DataFrame(rows), columns, caption=caption, group="pair"))


def _between_groups(audit: Audit, condition: Condition) -> str:
    """One maneuver in two groups of exams, where both have enough people."""
    rows = [
        {
            "maneuver": audit.catalogue.maneuvers[row["maneuver"]].name,
            "groups": f"{_group(audit, row, 'group_a')} against {_group(audit, row, 'group_b')}",
            "measure": row["measure"].capitalize(),
            "first": f"{percent(row['estimate_a'])}\n{counted(row['n_a'], 'knee')}",
            "second": f"{percent(row['estimate_b'])}\n{counted(row['n_b'], 'knee')}",
            "difference": f"{points(row['difference'])}\n{points(row['ci_low'])} to {points(row['ci_high'])}",
            "clear": "yes" if row["p_adjusted"] is not None and row["p_adjusted"] < 0.05 else "no",
        }
        for row in audit.table("interactions").filter(condition=condition.code, adjustment="none").iter_rows(named=True)
        if row["flag"] is None and row["difference"] is not None and row["ci_low"] is not None
    ]
    if not rows:
        return ""
    columns = (
        Column("measure", "Measure"),
        Column("groups", "Groups", words=True),
        Column("first", "First"),
        Column("second", "Second"),
        Column("difference", "First less second, points"),
        Column("clear", "Beyond chance"),
    )
    frame = pl.DataFrame(rows).sort("maneuver", "groups", maintain_order=True)
    caption = f"{condition.name}: one maneuver in two groups of exams. {_GROUPS_DIFFER}"
    return details("In one group against another", table(frame, columns, caption=caption, group="maneuver"))


def _group(audit: Audit, row: Mapping[str, Any], side: str) -> str:
    return inside_sentence(audit.group_name(row["group_by"], row[side]))

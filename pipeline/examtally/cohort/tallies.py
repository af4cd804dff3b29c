"""Counts of index exams for every condition, maneuver and group, with the sums over participants behind a cluster.

One `count(*)` a grouping over all cells; participants with several index exams once more by participant, since only
they differ from their rows. Everything is a whole number.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import combinations_with_replacement

import polars as pl

from examtally.cohort.cells import CELLS_A_PAIR, RESULTS, STATUSES, TWO_BY_TWO, cell
from examtally.cohort.groupings import Grouping
from examtally.contracts.records.engine import Engine

PRODUCTS = tuple(combinations_with_replacement(TWO_BY_TWO, 2))
"""The ten pairs of cells, in order: (tp, tp), (tp, fp), … (tn, tn)."""

MARGINS = {
    "participants_present": ("tp", "fn"),
    "participants_absent": ("fp", "tn"),
    "participants_positive": ("tp", "fp"),
    "participants_negative": ("fn", "tn"),
}

_DONE = RESULTS[:3]
_COUNTS: dict[str, frozenset[int]] = {
    "exams": frozenset(range(CELLS_A_PAIR)),
    "done": frozenset(cell(result, status) for result in _DONE for status in STATUSES),
    **{result: frozenset(cell(result, status) for status in STATUSES) for result in RESULTS},
    "interpretable": frozenset(cell(result, status) for result in RESULTS[:2] for status in STATUSES),
    "verified": frozenset(TWO_BY_TWO.values()),
    **{name: frozenset({place}) for name, place in TWO_BY_TWO.items()},
    "equivocal_present": frozenset({cell("equivocal", "present")}),
    "equivocal_absent": frozenset({cell("equivocal", "absent")}),
    **{
        f"{status}_{result}": frozenset({cell(result, status)})
        for status in ("unverified", "indeterminate")
        for result in RESULTS[:2]
    },
}
_SUMS = ("participants", "knees", *MARGINS, *(f"{a}_{b}" for a, b in PRODUCTS))


def write_repeats(con: Engine, groups: tuple[Grouping, ...], of: str = "cells", into: str = "repeat_cells") -> None:
    """Write `into` from `of`: the cells of the 2x2 tables of participants with several index exams."""
    columns = ", ".join(grouping.column for grouping in groups)
    cells = ", ".join(str(place) for place in TWO_BY_TWO.values())
    con.execute(
        f"create temp table {into} as select cell // {CELLS_A_PAIR} as pair, cell % {CELLS_A_PAIR} as cell, pk, "
        f"is_right, is_index, {columns} from {of} c join cohort_exams using (ek) "
        f"where is_repeat and cell % {CELLS_A_PAIR} in ({cells})"
    )


def read_tallies(
    con: Engine,
    groups: Iterable[Grouping],
    cells_of: str = "cells",
    repeats_of: str = "repeat_cells",
) -> pl.DataFrame:
    """Return the tallies of `groups`: one row a pair and group with an index exam, and always one overall.

    Columns are those of the declared table `tallies`; rows stand in the order of pairs, groupings and groups.
    """
    chosen = tuple(enumerate(groups))
    places = ", ".join(f"('{grouping.name}', {place})" for place, grouping in chosen)
    cells = ", ".join(f"sum(n) filter (cell % {CELLS_A_PAIR} = {c}) as n{c}" for c in range(CELLS_A_PAIR))
    counts = {name: " + ".join(f"coalesce(n{c}, 0)" for c in sorted(members)) for name, members in _COUNTS.items()}
    tallies: pl.DataFrame = con.sql(
        f"""
        with counted as ({_union(_counted(place, grouping, cells_of) for place, grouping in chosen)}),
        counts as (
            select grouped_by, code, cell // {CELLS_A_PAIR} as pair, {cells} from counted group by all
        ),
        clusters as ({_union(_clusters(place, grouping, repeats_of) for place, grouping in chosen)}),
        standing as ({_union(_status_rows(place, grouping) for place, grouping in chosen)}),
        index_exams as (
            select grouped_by, code, bit, sum(n) filter ((open_bits & bit) = 0) as mature,
                sum(n) filter ((open_bits & bit) <> 0) as window_open
            from standing join conditions on (bits & bit) <> 0 group by all
        )
        select p.condition, p.maneuver, l.group_by, l.label as "group",
            {", ".join(f"({value})::bigint as {name}" for name, value in counts.items())},
            (coalesce(mature, 0) - exams)::bigint as not_recorded,
            coalesce(window_open, 0)::bigint as window_open, {_sums()}
        from pairs p cross join group_labels l join (values {places}) g(group_by, grouped_by) using (group_by)
            left join index_exams i on i.grouped_by = g.grouped_by and i.code = l.code and i.bit = p.bit
            left join counts n on n.grouped_by = g.grouped_by and n.code = l.code and n.pair = p.pair
            left join clusters c on c.grouped_by = g.grouped_by and c.code = l.code and c.pair = p.pair
        where i.code is not null or l.label = 'all'
        order by p.pair, g.grouped_by, l.code
        """
    ).pl()
    return tallies


def _union(parts: Iterable[str]) -> str:
    return " union all ".join(parts)


def _counted(place: int, grouping: Grouping, source: str) -> str:
    """Findings by cell and group."""
    return (
        f"(select {place} as grouped_by, cell, {grouping.column} as code, count(*) as n from {source} "
        f"join cohort_exams using (ek) where {grouping.is_cell} group by cell, {grouping.column})"
    )


def _status_rows(place: int, grouping: Grouping) -> str:
    """Exams by group, the conditions they are index exams for and the conditions still open."""
    return (
        f"(select {place} as grouped_by, {grouping.column} as code, {grouping.index_bits} as bits, open_bits, "
        "count(*) as n from cohort_exams group by all)"
    )


def _clusters(place: int, grouping: Grouping, source: str) -> str:
    """Sums over the participants with several index exams, and their rows in each cell (`r_tp`, …)."""
    cells = ", ".join(f"count(*) filter (cell = {number}) as {name}" for name, number in TWO_BY_TWO.items())
    margins = ", ".join(f"count(*) filter ({a} + {b} > 0) as c_{name}" for name, (a, b) in MARGINS.items())
    products = ", ".join(f"sum({a} * {b}) as c_{a}_{b}" for a, b in PRODUCTS)
    return f"""
        (select {place} as grouped_by, pair, code, count(*) as c_participants, {margins},
            sum((rights > 0)::integer + (rights < {" + ".join(TWO_BY_TWO)})::integer) as c_knees,
            {products}, {", ".join(f"sum({name}) as r_{name}" for name in TWO_BY_TWO)}
        from (
            select pair, {grouping.column} as code, pk, count(*) filter (is_right) as rights, {cells}
            from {source} where {grouping.is_cell} group by all
        ) group by all)
    """


def _sums() -> str:
    """A participant with one index exam counts as one row: rows of the others out, their sums in."""
    rows = {"participants": tuple(TWO_BY_TWO), "knees": tuple(TWO_BY_TWO), **MARGINS}
    rows |= {f"{a}_{b}": (a,) if a == b else () for a, b in PRODUCTS}
    return ", ".join(
        f"({' + '.join([f'coalesce(c_{name}, 0)', *(f'coalesce({c}, 0) - coalesce(r_{c}, 0)' for c in rows[name])])})"
        f"::bigint as {name}"
        for name in _SUMS
    )


def role_clusters(tallies: pl.DataFrame) -> pl.DataFrame:
    """Sum tallies by role and examiner (groups `role/examiner`, the episode's first exam) to one row a role.

    Columns: condition, maneuver, group (the role), the 2x2 table; `examiners` with a verified finding,
    `examiners_present`, `_absent`, `_positive`, `_negative` with one in that margin; `ex_tp_tp` … `ex_tn_tn`, sums over
    examiners of products of their cells; `px_tp_tp` … `px_tn_tn`, the same over participant x examiner. An examiner
    who worked in two roles counts in each. Rows keep the order of the tallies; roles without a verified finding are
    left out.
    """
    margins = {"examiners": tuple(TWO_BY_TWO)} | {
        name.replace("participants", "examiners"): cells for name, cells in MARGINS.items()
    }
    return (
        tallies.filter(pl.col("verified") > 0)
        .with_columns(pl.col("group").str.extract("^([^/]*)/"))
        .group_by("condition", "maneuver", "group", maintain_order=True)
        .agg(
            *(pl.col(cell).sum() for cell in TWO_BY_TWO),
            *((pl.sum_horizontal(cells) > 0).sum().cast(pl.Int64).alias(name) for name, cells in margins.items()),
            *((pl.col(a) * pl.col(b)).sum().alias(f"ex_{a}_{b}") for a, b in PRODUCTS),
            *(pl.col(f"{a}_{b}").sum().alias(f"px_{a}_{b}") for a, b in PRODUCTS),
        )
    )

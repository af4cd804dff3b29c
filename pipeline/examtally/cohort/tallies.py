"""Counts of index exams for every condition, maneuver and group, with the sums over participants behind a cluster.

One `count(*)` a grouping over all cells; participants with several index exams once more by participant, since only
they differ from their rows. What follows from these counts is added up of the few rows that come of it. Everything is
a whole number.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
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


def write_repeats(con: Engine, groups: tuple[Grouping, ...]) -> None:
    """Write `repeat_cells` from `cells`: those of the 2x2 tables of participants with several index exams."""
    con.execute(f"create temp table repeat_cells as {_repeats(groups, 'cells')}")


def _repeats(groups: Iterable[Grouping], source: str) -> str:
    columns = ", ".join(grouping.column for grouping in groups)
    cells = ", ".join(str(place) for place in TWO_BY_TWO.values())
    return (
        f"select cell // {CELLS_A_PAIR} as pair, cell % {CELLS_A_PAIR} as cell, pk, is_right, is_index, {columns} "
        f"from {source} c join cohort_exams using (ek) where is_repeat and cell % {CELLS_A_PAIR} in ({cells})"
    )


def read_tallies(con: Engine, groups: Iterable[Grouping]) -> pl.DataFrame:
    """Return the tallies of `groups`: one row a pair and group with an index exam, and always one overall.

    Columns are those of the declared table `tallies`; rows stand in the order of pairs, groupings and groups.
    """
    return _read(con, [(grouping, "cells", "repeat_cells") for grouping in groups]).drop("place")


def read_otherwise(con: Engine, grouping: Grouping, cells: Mapping[str, str]) -> dict[str, pl.DataFrame]:
    """Return the tallies of one grouping by name, each of other cells, SQL of rows as in `cells`: in one query."""
    parts = [(grouping, f"({source})", f"({_repeats([grouping], f'({source})')})") for source in cells.values()]
    read = _read(con, parts)
    return {name: read.filter(place=place).drop("place") for place, name in enumerate(cells)}


def _read(con: Engine, parts: Iterable[tuple[Grouping, str, str]]) -> pl.DataFrame:
    """The tallies of groupings, each with its cells and its `repeat_cells`, and the `place` of the part."""
    chosen = tuple((place, *part) for place, part in enumerate(parts))
    places = ", ".join(f"('{grouping.name}', {place})" for place, grouping, *_ in chosen)
    cells = ", ".join(f"sum(n) filter (cell % {CELLS_A_PAIR} = {c}) as n{c}" for c in range(CELLS_A_PAIR))
    read: pl.DataFrame = con.sql(
        f"""
        with counted as ({_union(_counted(place, grouping, source) for place, grouping, source, _ in chosen)}),
        counts as (
            select grouped_by, code, cell // {CELLS_A_PAIR} as pair, {cells} from counted group by all
        ),
        clusters as (
            select grouped_by, pair, code, {_CLUSTERS}
            from ({_union(_people(place, grouping, repeats) for place, grouping, _, repeats in chosen)}) group by all
        ),
        standing as ({_union(_status_rows(place, grouping) for place, grouping, *_ in chosen)}),
        index_exams as (
            select grouped_by, code, bit, sum(n) filter ((open_bits & bit) = 0) as mature,
                sum(n) filter ((open_bits & bit) <> 0) as window_open
            from standing join conditions on (bits & bit) <> 0 group by all
        )
        select g.grouped_by as place, p.condition, p.maneuver, l.group_by, l.label as "group",
            {", ".join(f"coalesce({name}, 0)::bigint as {name}" for name in _READ)}
        from pairs p cross join group_labels l join (values {places}) g(group_by, grouped_by) using (group_by)
            left join index_exams i on i.grouped_by = g.grouped_by and i.code = l.code and i.bit = p.bit
            left join counts n on n.grouped_by = g.grouped_by and n.code = l.code and n.pair = p.pair
            left join clusters c on c.grouped_by = g.grouped_by and c.code = l.code and c.pair = p.pair
        where i.code is not null or l.label = 'all'
        order by p.pair, g.grouped_by, l.code
        """
    ).pl()
    counts = {name: pl.sum_horizontal(f"n{c}" for c in sorted(members)) for name, members in _COUNTS.items()}
    return read.select(
        "place", *_KEYS, **counts, not_recorded=pl.col("mature") - counts["exams"], window_open="window_open", **_sums()
    )


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


def _people(place: int, grouping: Grouping, source: str) -> str:
    """The participants with several index exams by group, with their rows in each cell."""
    cells = ", ".join(f"count(*) filter (cell = {number}) as {name}" for name, number in TWO_BY_TWO.items())
    return (
        f"(select {place} as grouped_by, pair, {grouping.column} as code, pk, count(*) filter (is_right) as rights, "
        f"{cells} from {source} where {grouping.is_cell} group by all)"
    )


_KEYS = ("condition", "maneuver", "group_by", "group")
_OF_CLUSTERS = {
    "participants": "count(*)",
    "knees": f"sum((rights > 0)::integer + (rights < {' + '.join(TWO_BY_TWO)})::integer)",
    **{name: f"count(*) filter ({a} + {b} > 0)" for name, (a, b) in MARGINS.items()},
    **{f"{a}_{b}": f"sum({a} * {b})" for a, b in PRODUCTS},
}
_CLUSTERS = ", ".join(
    [f"{value} as c_{name}" for name, value in _OF_CLUSTERS.items()] + [f"sum({c}) as r_{c}" for c in TWO_BY_TWO]
)
"""Sums over the participants of a group with several index exams (`c_…`), and their rows in each cell (`r_…`)."""
_READ = (
    *(f"n{c}" for c in range(CELLS_A_PAIR)),
    *("mature", "window_open"),
    *(f"c_{name}" for name in _OF_CLUSTERS),
    *(f"r_{c}" for c in TWO_BY_TWO),
)


def _sums() -> dict[str, pl.Expr]:
    """A participant with one index exam counts as one row: rows of the others out, their sums in."""
    rows = {"participants": tuple(TWO_BY_TWO), "knees": tuple(TWO_BY_TWO), **MARGINS}
    rows |= {f"{a}_{b}": (a,) if a == b else () for a, b in PRODUCTS}
    return {
        name: pl.sum_horizontal(f"c_{name}", *(pl.col(f"n{TWO_BY_TWO[c]}") - pl.col(f"r_{c}") for c in rows[name]))
        for name in _OF_CLUSTERS
    }


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

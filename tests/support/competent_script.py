"""Accuracy on verified knees as a competent user of DuckDB, Polars and statsmodels would write it for this alone.

    python competent_script.py REGISTRY RULES OUT

Nine measures of every maneuver, condition and group, with intervals that know of people with several knees. RULES is
JSON: `windows` (condition, modality, rank, first day, last day) and `pairs` (condition,
maneuver, periods at the end whose answers are not in), as such a user would
type them in. It knows neither derived conditions nor follow-up, and has no notes, flags or protocol.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
from statsmodels.stats.proportion import proportion_confint

CELLS = ("tp", "fp", "fn", "tn")
TYPED_IN = {"windows": "condition, modality, rank, first_day, last_day", "pairs": "condition, maneuver, immature"}
GROUPS = {
    "overall": "'all'",
    "examiner": "e.examiner_id",
    "role": "coalesce(e.examiner_role, x.role)",
    "setting": "e.setting",
    "acuity": "case when days_since_onset <= 21 then 'acute' when days_since_onset <= 84 then 'subacute' "
    "when days_since_onset is not null then 'chronic' end",
    "sex": "p.sex",
    "age_band": "case when age_years < 16 then 'under 16' when age_years < 26 then '16-25' when age_years < 40 then "
    "'26-39' when age_years < 60 then '40-59' else '60 and over' end",
    "bmi_band": "case when bmi < 25 then 'under 25' when bmi < 30 then '25-29' when bmi >= 30 then '30 and over' end",
    "effusion": "e.effusion",
    "guarding": "e.guarding",
    "site": "x.site_id",
    "period": "e.period",
}
SHARES = {
    "prevalence": (("tp", "fn"), CELLS),
    "sensitivity": (("tp",), ("tp", "fn")),
    "specificity": (("tn",), ("fp", "tn")),
    "ppv": (("tp",), ("tp", "fp")),
    "npv": (("tn",), ("fn", "tn")),
    "accuracy": (("tp", "tn"), CELLS),
}
RATIOS = {
    "lr_positive": (("tp", "fn"), ("fp", "tn")),
    "lr_negative": (("fn", "tp"), ("tn", "fp")),
}


def counts(registry: str, rules: dict[str, list[list[object]]]) -> pl.DataFrame:
    """One row a condition, maneuver and group: the four cells, and the sums over people of their products."""
    con = duckdb.connect()
    con.execute(f"attach '{registry}' as reg (read_only); use reg")
    for name, columns in TYPED_IN.items():
        values = ", ".join(f"({', '.join(map(repr, row))})" for row in rules[name])
        con.execute(f"create temp table {name} as from (values {values}) t({columns})")
    labels = ", ".join(f"coalesce({label}, 'unknown') as {name}" for name, label in GROUPS.items())
    con.execute(
        f"""
        create temp table eligible as
        select e.exam_id, e.participant_id, e.side, e.episode, e.exam_day, {labels},
            row_number() over (partition by e.participant_id, e.side, e.episode order by e.exam_day,
                e.examiner_order nulls last, md5(e.exam_id)) = 1 as is_index,
            row_number() over (partition by e.participant_id, e.side, e.episode, e.examiner_id order by e.exam_day,
                e.examiner_order nulls last, md5(e.exam_id)) = 1 as is_own
        from exams e left join participants p using (participant_id) left join examiners x using (examiner_id)
        where complaint is distinct from 'no' and setting is distinct from 'operating_room'
            and prior_surgery is distinct from 'yes' and reference_known is distinct from 'yes'
        qualify is_own
        """
    )
    con.execute(
        """
        create temp table verified as
        select exam_id, condition, arg_min(status, rank) as status
        from "references" join eligible using (participant_id, side, episode) join windows using (condition, modality)
        where status <> 'indeterminate' and reference_day - exam_day between first_day and last_day group by all
        """
    )
    con.execute(
        f"""
        create temp table known as
        select condition, maneuver, participant_id, is_index, {", ".join(GROUPS)},
            (result = 'positive' and status = 'present')::int as tp,
            (result = 'positive' and status = 'absent')::int as fp,
            (result = 'negative' and status = 'present')::int as fn,
            (result = 'negative' and status = 'absent')::int as tn
        from findings join pairs using (maneuver) join eligible using (exam_id) join verified using (exam_id, condition)
            join (select distinct period, dense_rank() over (order by period desc) as age from exams) using (period)
        where result in ('positive', 'negative') and age > immature
        """
    )
    sums = ", ".join(f"sum({cell}) as {cell}" for cell in CELLS)
    products = ", ".join(f"sum({a} * {b}) as {a}_{b}" for i, a in enumerate(CELLS) for b in CELLS[i:])
    found = [
        con.sql(
            f"select condition, maneuver, '{name}' as group_by, {name} as \"group\", count(*) as people, {sums}, "
            f"{products} from (select condition, maneuver, {name}, participant_id, {sums} from known "
            f"where {'true' if name == 'examiner' else 'is_index'} group by all) group by all"
        ).pl()
        for name in GROUPS
    ]
    return pl.concat(found)


def measures(table: pl.DataFrame) -> pl.DataFrame:
    """The nine measures with their limits: Wilson on the effective size, or the delta method on the log scale."""
    cells = table.select(CELLS).cast(pl.Float64).to_numpy()
    products = np.empty((table.height, 4, 4))
    for i, a in enumerate(CELLS):
        for j, b in enumerate(CELLS[i:], i):
            products[:, i, j] = products[:, j, i] = table[f"{a}_{b}"].cast(pl.Float64).to_numpy()
    people = table["people"].cast(pl.Float64).to_numpy()
    factor = np.where(people > 1, people / np.maximum(people - 1, 1), np.nan)

    def share(events: tuple[str, ...], base: tuple[str, ...]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        inside = np.array([cell in base for cell in CELLS], float)
        event = np.array([cell in events for cell in CELLS], float)
        n = cells @ inside
        value = (cells @ event) / n
        return value, n, (event - value[:, None] * inside) / n[:, None]

    rows = []
    with np.errstate(all="ignore"):
        for name, (events, base) in SHARES.items():
            value, n, weight = share(events, base)
            variance = factor * np.einsum("ri,rij,rj->r", weight, products, weight)
            deff = np.maximum(variance / (value * (1 - value) / n), 1)
            size = np.where(np.isfinite(deff), n / deff, n)
            low, high = proportion_confint(np.where(n > 0, value * size, 0), np.where(n > 0, size, 1), method="wilson")
            rows.append((name, value, low, high, n))
        weights = {}
        for name, (above, below) in RATIOS.items():
            top, _, w_top = share((above[0],), above)
            bottom, _, w_bottom = share((below[0],), below)
            weights[name] = w_top / top[:, None] - w_bottom / bottom[:, None], top / bottom
        weights["diagnostic_odds_ratio"] = (
            np.array([1, -1, -1, 1]) / cells,
            cells[:, 0] * cells[:, 3] / (cells[:, 1] * cells[:, 2]),
        )
        for name, (weight, value) in weights.items():
            spread = 1.959964 * np.sqrt(factor * np.einsum("ri,rij,rj->r", weight, products, weight))
            rows.append((name, value, value / np.exp(spread), value * np.exp(spread), cells.sum(axis=1)))
    key = table.select("condition", "maneuver", "group_by", "group")
    return pl.concat(
        key.with_columns(
            pl.lit(name).alias("measure"),
            *(pl.Series(*one) for one in zip(("estimate", "ci_low", "ci_high", "n"), numbers, strict=True)),
        )
        for name, *numbers in rows
    )


def main(registry: str, rules: str, out: str) -> None:
    """Read, count, estimate, and write a table of each kind of file."""
    known = json.loads(Path(rules).read_text(encoding="utf-8"))
    made = measures(counts(registry, known)).sort("condition", "maneuver", "group_by", "group", "measure")
    made.write_parquet(f"{out}.parquet")
    made.write_csv(f"{out}.csv")


if __name__ == "__main__":
    main(*sys.argv[1:])

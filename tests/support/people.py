"""Invented people, knee by knee, with every table that follows from them: here is known what nobody may learn.

Clinics differ in size, in how rare conditions and groups are, in how good maneuvers are and in who is verified. A
person has one to three knees or episodes. The first people of a larger clinic are those of a smaller one.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

import polars as pl
from begg_greenes import BeggGreenes, begg_greenes

from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table
from examtally.analytics.verification_bias.counts import VerificationCounts
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, empty
from examtally.results.results import Provenance, Results

MANEUVERS = {
    "mcmurray_medial": ("medial_meniscus_tear", "meniscal_tear"),
    "mcmurray_lateral": ("lateral_meniscus_tear", "meniscal_tear"),
    "extension_deficit": ("meniscal_tear",),
    "lachman": ("acl_tear",),
    "anterior_drawer": ("acl_tear",),
    "varus_stress_30": ("lcl_injury",),
}
GROUPS = {
    "sex": ("female", "male", "other", "unknown"),
    "acuity": ("acute", "subacute", "chronic", "unknown"),
    "age_band": ("under_16", "16_25", "26_39", "40_59", "60_over", "unknown"),
    "role": ("attending", "fellow", "resident", "student"),
}
CELLS = {("positive", "present"): "tp", ("positive", "absent"): "fp", ("negative", "present"): "fn"}
CELLS |= {("negative", "absent"): "tn"}
Corrected = Sequence[tuple[Mapping[str, Any], BeggGreenes]]
_OWN = ("acl_tear", "medial_meniscus_tear", "lateral_meniscus_tear", "lcl_injury")


def people(seed: int, added: int = 0) -> pl.DataFrame:
    """One row a knee, maneuver and condition: who, in which groups, `result` and `status` (None where unverified)."""
    draw = random.Random(seed)
    count = round(10 ** draw.uniform(2, 3.8))
    weights = {name: [draw.choice((0.01, 0.05, 0.3, 1, 1)) for _ in codes] for name, codes in GROUPS.items()}
    chances = {condition: draw.choice((0.03, 0.15, 0.3, 0.5)) for condition in _OWN}
    good = {name: (draw.choice((0.3, 0.6, 0.8, 0.97)), draw.choice((0.03, 0.2, 0.4))) for name in MANEUVERS}
    imaged, done = draw.choice((0.3, 0.6, 0.98)), draw.choice((0.7, 1))
    again = draw.choice((0.01, 0.1, 0.3))
    rows: list[tuple[object, ...]] = []
    for person in range(count + added):
        groups = {name: draw.choices(codes, weights[name])[0] for name, codes in GROUPS.items()}
        for _ in range(1 + (draw.random() < again) + (draw.random() < again / 3)):
            truth = {condition: draw.random() < chance for condition, chance in chances.items()}
            is_imaged = draw.random() < imaged
            known = {one: ("present" if has else "absent") if is_imaged and draw.random() < 0.99 else None
                     for one, has in truth.items()}  # fmt: skip
            parts = (known["medial_meniscus_tear"], known["lateral_meniscus_tear"])
            known["meniscal_tear"] = "present" if "present" in parts else None if None in parts else "absent"
            truth["meniscal_tear"] = truth["medial_meniscus_tear"] or truth["lateral_meniscus_tear"]
            for name, conditions in MANEUVERS.items():
                if draw.random() < done:
                    is_positive = draw.random() < good[name][0 if truth[conditions[0]] else 1]
                    result = "positive" if is_positive else "negative"
                    rows += [(person, name, one, result, known[one], *groups.values()) for one in conditions]
    schema = ["person", "maneuver", "condition", "result", "status", *GROUPS]
    return pl.DataFrame(rows, schema=schema, orient="row", infer_schema_length=None)


def count_tables(knees: pl.DataFrame) -> pl.DataFrame:
    """The tallies of everybody and of every group."""
    everybody = knees.with_columns(overall=pl.lit("all"))
    parts = [_counted(everybody, group_by) for group_by in ("overall", *GROUPS)]
    return conform("tallies", pl.concat(parts))


def _counted(knees: pl.DataFrame, group_by: str) -> pl.DataFrame:
    key = ["condition", "maneuver", group_by]
    cell = {
        name: (pl.col("result") == result) & (pl.col("status") == status) for (result, status), name in CELLS.items()
    }
    whose = knees.group_by(*key, "person").agg(
        *(which.fill_null(value=False).sum().cast(pl.Int64).alias(name) for name, which in cell.items()),
        *((pl.col("status").is_null() & (pl.col("result") == one)).sum().cast(pl.Int64).alias(f"unverified_{one}")
          for one in ("positive", "negative")),
    )  # fmt: skip
    sides = {"present": ("tp", "fn"), "absent": ("fp", "tn"), "positive": ("tp", "fp"), "negative": ("fn", "tn")}
    cells, pairs = list(cell), list(combinations(cell, 2))
    counted = whose.group_by(key).agg(
        *(pl.col(name).sum() for name in (*cells, "unverified_positive", "unverified_negative")),
        *((pl.col(name) ** 2).sum().alias(f"{name}_{name}") for name in cells),
        *((pl.col(a) * pl.col(b)).sum().alias(f"{a}_{b}") for a, b in pairs),
        *(
            (pl.col(a) + pl.col(b) > 0).sum().cast(pl.Int64).alias(f"participants_{side}")
            for side, (a, b) in sides.items()
        ),
        participants=(pl.sum_horizontal(cells) > 0).sum().cast(pl.Int64),
    )
    verified = counted.with_columns(verified=pl.sum_horizontal(cells), knees=pl.sum_horizontal(cells))
    named = verified.rename({group_by: "group"}).with_columns(group_by=pl.lit(group_by))
    whole = named.with_columns(exams=pl.col("verified") + pl.col("unverified_positive") + pl.col("unverified_negative"))
    columns = [name for name, kind in empty("tallies").schema.items() if kind.is_integer()]
    zeros = [name for name in columns if name not in whole.columns]
    return whole.with_columns(pl.lit(0, pl.Int64).alias(name) for name in zeros).sort("condition", "maneuver", "group")


def compared(knees: pl.DataFrame) -> pl.DataFrame:
    """The difference of the two maneuvers for the anterior cruciate ligament on the same people, Wald's limits."""
    verified = knees.filter(pl.col("condition") == "acl_tear", pl.col("status").is_not_null())
    first, second = (
        verified.filter(maneuver=name).unique("person", maintain_order=True) for name in ("lachman", "anterior_drawer")
    )
    pairs = first.join(second, on=["person", "status"], suffix="_b")
    lines = []
    for measure, status, hit in (("sensitivity", "present", "positive"), ("specificity", "absent", "negative")):
        side = pairs.filter(status=status)
        right = [side["result"] == hit, side["result_b"] == hit]
        n, only_a, only_b = side.height, int((right[0] & ~right[1]).sum()), int((right[1] & ~right[0]).sum())
        if n:
            d = (only_a - only_b) / n
            half = 1.96 * ((only_a + only_b - n * d * d) ** 0.5) / n
            line = {"condition": "acl_tear", "maneuver_a": "lachman", "maneuver_b": "anterior_drawer"}
            line |= {"group_by": "overall", "group": "all", "adjustment": "none", "measure": measure}
            line |= {"contrast": "difference", "estimate_a": right[0].sum() / n, "difference": d, "ci_low": d - half}
            line |= {"ci_high": d + half, "n": n, "only_a": only_a, "only_b": only_b, "participants": n}
            lines.append(line)
    return pl.DataFrame(lines).with_columns(status=pl.lit("exploratory")) if lines else empty("comparisons")


def _corrected(line: Mapping[str, Any]) -> BeggGreenes:
    """The figures that follow from one table and its knees without an answer, and from nothing else."""
    names = ("tp", "fp", "unverified_positive", "fn", "tn", "unverified_negative")
    return begg_greenes(VerificationCounts(*(line[name] for name in names)))


def _verification_rows(corrected: Corrected, schema: pl.Schema) -> pl.DataFrame:
    """Rows of accuracy corrected for verification, as the analysis has them where the finding alone drives imaging."""
    rows = [
        {**{name: line[name] for name in ("condition", "maneuver", "group_by", "group")},
         "adjustment": "verification", "measure": measure, "estimate": value, "ci_low": limits[0],
         "ci_high": limits[1], "level": 0.95, "interval": "logit", "display": "estimate", "status": "exploratory"}
        for line, one in corrected
        for measure, value, limits in (
            ("sensitivity", one.sensitivity, one.sens_logit), ("specificity", one.specificity, one.spec_logit)
        )
        if value is not None and limits is not None
    ]  # fmt: skip
    known = pl.DataFrame(rows, schema={name: kind for name, kind in schema.items() if not rows or name in rows[0]})
    return known.with_columns(
        pl.lit(None, kind).alias(name) for name, kind in schema.items() if name not in known.columns
    ).select(schema.names())


def _leading_rows(corrected: Corrected) -> pl.DataFrame:
    """Leading figures of everybody that are just these, so that an outsider who knows the formula can go back."""
    rows = []
    for line, one in corrected:
        if line["group_by"] != "overall" or one.sensitivity is None or one.specificity is None:
            continue
        positive, negative = line["tp"] + line["fp"], line["fn"] + line["tn"]
        all_positive, all_negative = positive + line["unverified_positive"], negative + line["unverified_negative"]
        between = 1 / positive + 1 / negative - 1 / all_positive - 1 / all_negative
        variances = (one.var_logit_sens, one.var_logit_spec, between)
        row = {name: line[name] for name in ("condition", "maneuver", "group_by", "group")}
        row |= {"basis": "bias_adjusted", "sensitivity": one.sensitivity, "specificity": one.specificity}
        row |= dict(zip(("var_sensitivity", "var_specificity", "covariance"), variances, strict=True))
        row |= dict.fromkeys(("shared_var_sensitivity", "shared_var_specificity", "shared_covariance"), 0.0)
        rows.append(row)
    schema = empty("leading").schema
    known = pl.DataFrame(rows, schema={name: kind for name, kind in schema.items() if not rows or name in rows[0]})
    blank = [pl.lit(None, kind).alias(name) for name, kind in schema.items() if name not in known.columns]
    return known.with_columns(blank).select(schema.names())


def results_of(knees: pl.DataFrame, records: str, examiners: Sequence[int] = (9, 9, 9, 9)) -> Results:
    """The results that a release is made from; `examiners` stand behind each role."""
    contract = load_contract()
    protocol = Protocol.defaults(contract)
    tallies = count_tables(knees)
    corrected = [(line, _corrected(line)) for line in tallies.filter(pl.col("verified") > 0).iter_rows(named=True)]
    accuracy = accuracy_table(tallies, None, contract, protocol)
    summary = pl.DataFrame({"item": "examiners_by_role", "group": GROUPS["role"], "value": list(examiners)})
    tables = {"tallies": tallies, "accuracy": pl.concat([accuracy, _verification_rows(corrected, accuracy.schema)])}
    tables["leading"] = _leading_rows(corrected)
    tables |= {"cohort_summary": summary, "comparisons": compared(knees)}
    return Results(tables, Provenance(records, protocol.to_dict(), protocol.hash, 1, {}))

"""The public table `comparisons`: every two maneuvers for one condition on the same knees."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields
from itertools import combinations

import numpy as np
import polars as pl

from examtally.analytics.comparison.contrast import COMPARED, contrasts_of, robust_test
from examtally.analytics.comparison.joint import Joint
from examtally.analytics.comparison.knees import Compared
from examtally.analytics.comparison.paired import Behind, behind, paired_contrasts
from examtally.analytics.comparison.rows import contrast_columns, frame_of, records, with_adjusted, with_remarks
from examtally.analytics.intervals import FloatArray
from examtally.analytics.verification_bias.knees import ConditionKnees
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, empty

A_FIRST, B_FIRST = "a_first", "b_first"
_OUTSIDE = "Not in the declared family of comparisons: the p value is not adjusted, read it as a hint."
_KEY = ("condition", "maneuver_a", "maneuver_b")
_FAMILY = ("condition", "group_by", "group", "adjustment", "measure", "contrast")
_PAIRS = tuple((measure, contrast) for measure in COMPARED for contrast in contrasts_of(measure))


def comparisons_table(
    knees: Mapping[str, ConditionKnees], orders: Mapping[str, FloatArray], protocol: Protocol
) -> pl.DataFrame:
    """Return the table `comparisons`: overall, corrected for verification, and by which maneuver was done first.

    `knees` are those of `compared_knees`; `orders` gives for a maneuver its place in each exam of the verification
    frame, (n,), NaN where not recorded. Knees with a clear finding by both count. Sensitivity and specificity: by how
    much they differ and their ratio, McNemar's test; predictive values likewise, weighted score test; likelihood ratios
    as a ratio. Participants with several knees are clusters; below 30 of them the two are exchanged within people.

    Sources: see `observed_difference`, `observed_ratio`, `corrected_contrast`, `mcnemar`, `swap_test`,
    `compare_predictive_values` and `holm`.
    """
    rows = [
        row
        for of in knees.values()
        for a, b in combinations(of.maneuvers, 2)
        for row in _pair(of, a, b, orders, protocol)
    ]
    if not rows:
        return empty("comparisons")
    table = frame_of(rows)
    family = {(code, *pair) for code, pairs in protocol.comparisons.family.items() for pair in pairs}
    declared = np.array([key in family for key in table.select(_KEY).iter_rows()], dtype=bool)
    table = with_adjusted(with_remarks(table, protocol.display.min_participants), _FAMILY, declared)
    outside = pl.Series(~declared) & pl.col("p_value").is_not_null()
    note = pl.when(outside).then(pl.concat_str(pl.col("note"), pl.lit(" " + _OUTSIDE)).str.strip_chars())
    table = table.with_columns(note.otherwise(pl.col("note")).alias("note")).drop("differ", "fewest")
    return conform("comparisons", table)


def _pair(
    knees: ConditionKnees, a: str, b: str, orders: Mapping[str, FloatArray], protocol: Protocol
) -> Iterator[dict[str, object]]:
    """Rows of one pair of maneuvers."""
    compared = Compared.maneuvers(knees, a, b)
    level, is_exact = protocol.intervals.level, protocol.comparisons.test == "mcnemar_exact"
    key = {"condition": knees.condition, "maneuver_a": a, "maneuver_b": b}
    overall = compared.verified_joint()
    for row in (*_observed(overall, ["all"], level, is_exact=is_exact), *_corrected(compared, overall, level)):
        yield key | {"group_by": "overall"} | row
    code = _first_done(knees, a, b, orders)
    if code is not None and (code[compared.taken][compared.verified] < 2).any():
        joint = compared.verified_joint(code, 3)
        for row in _observed(joint, [A_FIRST, B_FIRST, "unknown"], level, is_exact=is_exact):
            if row["group"] != "unknown":
                yield key | {"group_by": "done_order"} | row


def _first_done(knees: ConditionKnees, a: str, b: str, orders: Mapping[str, FloatArray]) -> np.ndarray | None:
    """Which came first in each exam of a condition: 0 a, 1 b, 2 not recorded (or the same place for both)."""
    if a not in orders or b not in orders:
        return None
    place = knees.frame["place"].to_numpy()
    one, other = orders[a][place], orders[b][place]
    return np.where(one < other, 0, np.where(other < one, 1, 2)).astype(np.int64)


def _observed(joint: Joint, labels: list[str], level: float, *, is_exact: bool) -> Iterator[dict[str, object]]:
    """Rows on verified knees, one group after the other."""
    for made, test in paired_contrasts(joint, level, is_exact=is_exact):
        counted = behind(joint, made.measure)
        columns = contrast_columns(made, test) | _counts(counted) | {"group": np.array(labels)}
        differ = {"differ": counted.only_a + counted.only_b}
        yield from records(
            columns | differ, measure=made.measure, contrast=made.contrast, adjustment="none", flag=None, note=None
        )


def _corrected(compared: Compared, overall: Joint, level: float) -> Iterator[dict[str, object]]:
    """Rows corrected for verification, with the verified knees behind them; where there are too few, why."""
    why = compared.shortage
    found = {} if why else compared.corrected(_PAIRS, level)
    for measure, contrast in _PAIRS:
        columns: dict[str, np.ndarray] = {"test": np.array(["none"])}
        if not why:
            made = found[measure, contrast]
            columns = contrast_columns(made, robust_test(made, "robust"))
        yield from records(
            columns | _counts(behind(overall, measure)),
            measure=measure,
            contrast=contrast,
            group="all",
            adjustment="verification",
            differ=None,
            flag="too_few_verified" if why else None,
            note=why or None,
        )


def _counts(counted: Behind) -> dict[str, np.ndarray]:
    """Columns of the knees and people behind a measure."""
    return {field.name: getattr(counted, field.name) for field in fields(counted)}

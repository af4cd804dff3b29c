"""The public table `comparisons`: every two maneuvers for one condition on the same knees."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations

import numpy as np
import polars as pl

from examtally.analytics.comparing.contrast import COMPARED, contrasts_of, robust_test
from examtally.analytics.comparing.joint import Joint
from examtally.analytics.comparing.knees import Compared
from examtally.analytics.comparing.paired import behind, paired_contrasts
from examtally.analytics.comparing.rows import contrast_columns, with_adjusted, with_remarks, without_nan
from examtally.analytics.intervals import FloatArray
from examtally.analytics.verification.knees import ConditionKnees
from examtally.contracts.protocol import Protocol
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
    parts = [
        part
        for of in knees.values()
        for a, b in combinations(of.maneuvers, 2)
        for part in _pair(of, a, b, orders, protocol)
    ]
    if not parts:
        return empty("comparisons")
    table = without_nan(pl.concat(parts, how="diagonal_relaxed"))
    family = {(code, *pair) for code, pairs in protocol.comparisons.family.items() for pair in pairs}
    declared = np.array([key in family for key in table.select(_KEY).iter_rows()], dtype=bool)
    table = with_adjusted(with_remarks(table, protocol.display.min_participants), _FAMILY, declared)
    outside = pl.Series(~declared) & pl.col("p_value").is_not_null()
    note = pl.when(outside).then(pl.concat_str(pl.col("note"), pl.lit(" " + _OUTSIDE)).str.strip_chars())
    table = table.with_columns(note.otherwise(pl.col("note")).alias("note")).drop("differ", "fewest")
    return conform("comparisons", table, status=protocol.analysis_status)


def _pair(
    knees: ConditionKnees, a: str, b: str, orders: Mapping[str, FloatArray], protocol: Protocol
) -> Iterator[pl.DataFrame]:
    """Rows of one pair of maneuvers."""
    compared = Compared.maneuvers(knees, a, b)
    level, is_exact = protocol.intervals.level, protocol.comparisons.test == "mcnemar_exact"
    key = {"condition": knees.condition, "maneuver_a": a, "maneuver_b": b}
    overall = compared.verified_joint()
    yield _observed(overall, ["all"], "overall", key, level, is_exact=is_exact)
    yield _corrected(compared, overall, key, level)
    code = _first_done(knees, a, b, orders)
    if code is not None and (code[compared.taken][compared.verified] < 2).any():
        joint = compared.verified_joint(code, 3)
        frame = _observed(joint, [A_FIRST, B_FIRST, "unknown"], "done_order", key, level, is_exact=is_exact)
        yield frame.filter(pl.col("group") != "unknown")


def _first_done(knees: ConditionKnees, a: str, b: str, orders: Mapping[str, FloatArray]) -> np.ndarray | None:
    """Which came first in each exam of a condition: 0 a, 1 b, 2 not recorded (or the same place for both)."""
    if a not in orders or b not in orders:
        return None
    place = knees.frame["place"].to_numpy()
    one, other = orders[a][place], orders[b][place]
    return np.where(one < other, 0, np.where(other < one, 1, 2)).astype(np.int64)


def _observed(
    joint: Joint, labels: list[str], group_by: str, key: Mapping[str, str], level: float, *, is_exact: bool
) -> pl.DataFrame:
    """Rows on verified knees, one group after the other."""
    parts = []
    for made, test in paired_contrasts(joint, level, is_exact=is_exact):
        counted = behind(joint, made.measure)
        columns = contrast_columns(made, test) | {
            "group": np.array(labels),
            "n": counted.n,
            "only_a": counted.only_a,
            "only_b": counted.only_b,
            "participants": counted.participants,
            "fewest": counted.fewest,
            "differ": counted.only_a + counted.only_b,
        }
        named = {"measure": made.measure, "contrast": made.contrast, "group_by": group_by, "adjustment": "none"}
        parts.append(_named(pl.DataFrame(columns), dict(key) | named))
    return pl.concat(parts).with_columns(flag=pl.lit(None, pl.String), note=pl.lit(None, pl.String))


def _corrected(compared: Compared, overall: Joint, key: Mapping[str, str], level: float) -> pl.DataFrame:
    """Rows corrected for verification, with the verified knees behind them; where there are too few, why."""
    why = compared.shortage
    found = {} if why else compared.corrected(_PAIRS, level)
    rows = []
    for measure, contrast in _PAIRS:
        counted = behind(overall, measure)
        row: dict[str, object] = {
            "measure": measure,
            "contrast": contrast,
            "group": "all",
            "n": counted.n[0],
            "only_a": counted.only_a[0],
            "only_b": counted.only_b[0],
            "participants": counted.participants[0],
            "fewest": counted.fewest[0],
            "differ": None,
            "test": "none",
            "flag": "too_few_verified" if why else None,
            "note": why or None,
        }
        if not why:
            made = found[measure, contrast]
            columns = contrast_columns(made, robust_test(made, "robust"))
            row |= {name: values[0].item() for name, values in columns.items()}
        rows.append(row)
    named = dict(key) | {"group_by": "overall", "adjustment": "verification"}
    return _named(pl.DataFrame(rows, infer_schema_length=None), named)


def _named(frame: pl.DataFrame, values: Mapping[str, str]) -> pl.DataFrame:
    return frame.with_columns(**{name: pl.lit(value) for name, value in values.items()})

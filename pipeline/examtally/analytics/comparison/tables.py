"""The public table `comparisons`: every two maneuvers for one condition on the same knees."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from itertools import combinations

import numpy as np
import polars as pl

from examtally.analytics.comparison.contrast import COMPARED, contrasts_of, robust_test
from examtally.analytics.comparison.joint import Joint
from examtally.analytics.comparison.knees import Compared
from examtally.analytics.comparison.paired import Behind, behind, paired_contrasts
from examtally.analytics.comparison.rows import contrast_columns, frame_of, records, with_adjusted, with_remarks
from examtally.analytics.intervals import FloatArray
from examtally.analytics.verification_bias.grouped import IntArray
from examtally.analytics.verification_bias.knees import ConditionKnees
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, empty

A_FIRST, B_FIRST = "a_first", "b_first"
_ORDERS, _UNKNOWN = (A_FIRST, B_FIRST, "unknown"), 2
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
    pairs = [_TwoManeuvers.of(of, a, b, orders) for of in knees.values() for a, b in combinations(of.maneuvers, 2)]
    rows = [*_overall(pairs, protocol), *_by_order([pair for pair in pairs if pair.first_done is not None], protocol)]
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


@dataclass(frozen=True)
class _TwoManeuvers:
    """Two maneuvers for one condition; `first_done` parts its knees by `_ORDERS` where that is known of any."""

    key: dict[str, object]
    compared: Compared
    first_done: IntArray | None

    @classmethod
    def of(cls, knees: ConditionKnees, a: str, b: str, orders: Mapping[str, FloatArray]) -> _TwoManeuvers:
        compared = Compared.maneuvers(knees, a, b)
        code = _first_done(knees, a, b, orders)
        if code is not None and not (code[compared.taken][compared.verified] < _UNKNOWN).any():
            code = None
        return cls({"condition": knees.condition, "maneuver_a": a, "maneuver_b": b}, compared, code)


def _first_done(knees: ConditionKnees, a: str, b: str, orders: Mapping[str, FloatArray]) -> IntArray | None:
    """Which came first in each exam of a condition: place in `_ORDERS` (unknown: not recorded, or the same place)."""
    if a not in orders or b not in orders:
        return None
    place = knees.frame["place"].to_numpy()
    one, other = orders[a][place], orders[b][place]
    return np.where(one < other, 0, np.where(other < one, 1, _UNKNOWN)).astype(np.int64)


def _overall(pairs: Sequence[_TwoManeuvers], protocol: Protocol) -> Iterator[dict[str, object]]:
    """Rows over all knees: as they are, and corrected for verification."""
    counted = [pair.compared.verified_joint() for pair in pairs]
    keys = [pair.key | {"group_by": "overall", "group": "all"} for pair in pairs]
    yield from _observed(counted, keys, protocol)
    for pair, joint, key in zip(pairs, counted, keys, strict=True):
        for row in _corrected(pair.compared, joint, protocol.intervals.level):
            yield key | row


def _by_order(pairs: Sequence[_TwoManeuvers], protocol: Protocol) -> Iterator[dict[str, object]]:
    """Rows by which of the two was done first."""
    counted = [pair.compared.verified_joint(pair.first_done, len(_ORDERS)) for pair in pairs]
    keys = [pair.key | {"group_by": "done_order", "group": group} for pair in pairs for group in _ORDERS]
    yield from (row for row in _observed(counted, keys, protocol) if row["group"] != _ORDERS[_UNKNOWN])


def _observed(
    counted: Sequence[Joint], keys: Sequence[Mapping[str, object]], protocol: Protocol
) -> Iterator[dict[str, object]]:
    """Rows on verified knees; `keys` are those of the groups of all that is counted, in their order."""
    if not counted:
        return
    joint, is_exact = Joint.joined(counted), protocol.comparisons.test == "mcnemar_exact"
    for made, test in paired_contrasts(joint, protocol.intervals.level, is_exact=is_exact):
        knees = behind(joint, made.measure)
        columns = contrast_columns(made, test) | _counts(knees) | {"differ": knees.only_a + knees.only_b}
        said = {"measure": made.measure, "contrast": made.contrast, "adjustment": "none", "flag": None, "note": None}
        for key, row in zip(keys, records(columns, **said), strict=True):
            yield {**key, **row}


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
            adjustment="verification",
            differ=None,
            flag="too_few_verified" if why else None,
            note=why or None,
        )


def _counts(counted: Behind) -> dict[str, np.ndarray]:
    """Columns of the knees and people behind a measure."""
    return {field.name: getattr(counted, field.name) for field in fields(counted)}

"""Two maneuvers on the same knees in each group of exams, and whether they differ as much in one as in another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy.stats import norm

from examtally.analytics.comparison.contrast import DIFFERENCE, SAME_KNEES, Contrast
from examtally.analytics.comparison.examiner_clusters import contrast_examiners
from examtally.analytics.comparison.interactions import EXAMINER_GROUPS, examiner_remark
from examtally.analytics.comparison.knees import Compared
from examtally.analytics.comparison.paired import behind, paired_contrasts
from examtally.analytics.comparison.rows import contrast_columns, with_remarks, without_nan
from examtally.analytics.intervals import normal_quantile
from examtally.analytics.verification_bias.knees import ConditionKnees
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, empty

_TWO_DIFFERENCES = "Difference of the two differences; the groups are taken to hold different people."


@dataclass(frozen=True)
class GroupedComparison:
    """Rows of the public tables `comparisons`, one group after the other, and `interactions`."""

    comparisons: pl.DataFrame
    interactions: pl.DataFrame


def compare_in_groups(
    knees: ConditionKnees,
    maneuvers: tuple[str, str],
    group_by: str,
    labels: Sequence[str],
    pairs: Sequence[tuple[str, str]],
    protocol: Protocol,
) -> GroupedComparison:
    """Compare two maneuvers on verified knees in each of `labels`, and their differences between each of `pairs`.

    Knees whose group is another or unknown are left out. The difference of two differences is held against the normal
    distribution with the sum of both variances (participant-clustered within each group): Altman DG, Bland JM. BMJ
    2003;326:219. In groups made of examiners these are the clusters; see `contrast_examiners`. Both frames are of the
    declared form, without adjusted p values.
    """
    level, is_exact = protocol.intervals.level, protocol.comparisons.test == "mcnemar_exact"
    group = knees.frame[group_by].cast(pl.String)
    code = group.replace_strict(list(labels), list(range(len(labels))), default=len(labels)).cast(pl.Int64).to_numpy()
    compared = Compared.maneuvers(knees, *maneuvers)
    joint = compared.verified_joint(code, len(labels) + 1)
    key = {"condition": knees.condition, "maneuver_a": maneuvers[0], "maneuver_b": maneuvers[1], "group_by": group_by}
    rows, between = [], []
    for made, test in paired_contrasts(joint, level, is_exact=is_exact):
        counted = behind(joint, made.measure)
        columns = contrast_columns(made, test) | {
            "group": np.array([*labels, ""]),
            "n": counted.n,
            "only_a": counted.only_a,
            "only_b": counted.only_b,
            "participants": counted.participants,
            "fewest": counted.fewest,
            "differ": counted.only_a + counted.only_b,
        }
        rows.append(_named(pl.DataFrame(columns), {"measure": made.measure, "contrast": made.contrast}))
        if made.contrast == DIFFERENCE and made.measure in SAME_KNEES:
            between += [
                _between(made, counted.n, list(labels), pair, level)
                | (_by_examiner(compared, made.measure, group, pair, level) if group_by in EXAMINER_GROUPS else {})
                for pair in pairs
            ]
    frame = pl.concat(rows).filter(pl.col("group") != "")
    frame = _named(frame, key | {"adjustment": "none"}).with_columns(
        flag=pl.lit(None, pl.String), note=pl.lit(None, pl.String), p_adjusted=pl.lit(None, pl.Float64)
    )
    table = with_remarks(without_nan(frame), protocol.display.min_participants).drop("differ", "fewest")
    return GroupedComparison(conform("comparisons", table), _interactions(between, key))


def _between(
    made: Contrast, n: np.ndarray, labels: list[str], pair: tuple[str, str], level: float
) -> dict[str, object]:
    """One row: the difference in the first group, in the second, and how far they lie apart."""
    one, other = labels.index(pair[0]), labels.index(pair[1])
    apart = made.value[one] - made.value[other]
    error = np.sqrt(made.variance[one] + made.variance[other])
    usable = bool(np.isfinite(apart) and np.isfinite(error) and error > 0)
    half = normal_quantile(level) * error
    return {
        "measure": made.measure,
        "group_a": pair[0],
        "group_b": pair[1],
        "estimate_a": made.value[one],
        "estimate_b": made.value[other],
        "difference": apart,
        "ci_low": apart - half if usable else None,
        "ci_high": apart + half if usable else None,
        "test": "robust" if usable else "none",
        "p_value": 2 * norm.sf(abs(apart / error)) if usable else None,
        "n_a": n[one],
        "n_b": n[other],
        "flag": None if usable else "not_estimable",
        "note": _TWO_DIFFERENCES if usable else "A group has no verified «noun», or none on which the two differ.",
    }


def _by_examiner(
    compared: Compared, measure: str, group: pl.Series, pair: tuple[str, str], level: float
) -> dict[str, object]:
    """What stands otherwise in the row of two groups that are made of examiners."""
    inside = [(group == name).fill_null(value=False).to_numpy()[compared.taken] for name in pair]
    (one, knees, variance), (other, others, beside) = (compared.examiner_differences(measure, each) for each in inside)
    made = contrast_examiners((one, other), (knees, others), variance + beside)
    if not np.isfinite(made.variance):
        return {}
    made = replace(made, farthest=2.0)
    low, high = made.limits(level)
    said = examiner_remark(made)
    note = " ".join(part for part in (_TWO_DIFFERENCES, said["note"]) if part)
    columns = {"ci_low": low, "ci_high": high, "test": "examiner_clusters", "p_value": made.p_value}
    return columns | {"flag": said["flag"], "note": note}


def _interactions(rows: list[dict[str, object]], key: dict[str, str]) -> pl.DataFrame:
    if not rows:
        return empty("interactions")
    named = {
        "condition": key["condition"],
        "maneuver": f"{key['maneuver_a']} minus {key['maneuver_b']}",
        "group_by": key["group_by"],
        "adjustment": "none",
    }
    numbers = dict.fromkeys(("estimate_a", "estimate_b", "difference", "ci_low", "ci_high", "p_value"), pl.Float64())
    texts = dict.fromkeys(("flag", "note", "measure", "test"), pl.String())
    frame = pl.DataFrame(rows, schema_overrides={**numbers, **texts}, infer_schema_length=None)
    table = _named(without_nan(frame), named).with_columns(p_adjusted=pl.lit(None, pl.Float64))
    return conform("interactions", table)


def _named(frame: pl.DataFrame, values: dict[str, str]) -> pl.DataFrame:
    return frame.with_columns(**{name: pl.lit(value) for name, value in values.items()})

"""The public table `interactions`: whether a maneuver does as well in one group of exams as in another."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import polars as pl
from scipy.stats import chi2

from examtally.analytics.comparison.contrast import (
    DIFFERENCE,
    SAME_KNEES,
    Contrast,
    Significance,
    observed_difference,
    robust_test,
)
from examtally.analytics.comparison.examiner_clusters import ENOUGH_EXAMINERS, ExaminerContrast
from examtally.analytics.comparison.joint import Joint
from examtally.analytics.comparison.knees import Compared
from examtally.analytics.comparison.rows import contrast_columns, frame_of, records, with_adjusted, with_remarks
from examtally.analytics.diagnostic_accuracy.measures import PROPORTIONS
from examtally.analytics.verification_bias.knees import ConditionKnees
from examtally.contracts.protocol.estimates import SEVERITY
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, empty

_PAIRS = tuple((measure, DIFFERENCE) for measure in SAME_KNEES)
_FAMILY = ("condition", "adjustment", "measure")
EXAMINER_GROUPS = ("role", "site")
"""Groups that are made of examiners."""


def interactions_table(knees: Mapping[str, ConditionKnees], protocol: Protocol) -> pl.DataFrame:
    """Return the table `interactions`: sensitivity and specificity in the two groups of every declared pair.

    The difference has Newcombe's hybrid score interval for independent proportions; where participants have several
    knees, also in both groups, effective numbers and their correlation take their place. Test: chi-squared with N - 1
    where knees are independent, else the difference over its robust standard error. Groups made of examiners (roles,
    sites) have examiners as clusters in interval and test; see `contrast_examiners`.

    Source: Newcombe RG. Stat Med 1998;17:873–890, method 10; Campbell I. Stat Med 2007;26:3661–3675 (N − 1); Alonzo &
    Pepe 2005 for the corrected rows.
    """
    rows = [
        row
        for of in knees.values()
        for maneuver in of.maneuvers
        for group_by, pairs in protocol.comparisons.groups.items()
        for pair in pairs
        for row in _rows(of, maneuver, group_by, pair, protocol.intervals.level)
    ]
    if not rows:
        return empty("interactions")
    table = frame_of(rows)
    table = with_remarks(table, protocol.display.min_participants)
    table = with_adjusted(table, _FAMILY, np.ones(table.height, dtype=bool))
    dropped = ("n", "fewest", "differ", "contrast", "statistic")
    return conform("interactions", table.drop(dropped))


def unpaired_test(joint: Joint, made: Contrast) -> Significance:
    """Test of a proportion in two groups: chi-squared with N - 1 where knees are independent, else the robust one."""
    robust = robust_test(made, "robust")
    a, b = (joint.knees(joint.kinds_in(PROPORTIONS[made.measure][1], side)) for side in (0, 1))
    total = a + b
    with np.errstate(divide="ignore", invalid="ignore"):
        pooled = (made.estimate_a * a + made.estimate_b * b) / total
        statistic = made.value**2 / (pooled * (1 - pooled) * (1 / a + 1 / b)) * (total - 1) / total
    usable = np.isfinite(statistic) & (pooled > 0) & (pooled < 1)
    independent = np.isinf(made.clusters)
    return Significance(
        np.where(independent, np.where(usable, "chi_square", ""), robust.name),
        np.where(independent, np.where(usable, statistic, np.nan), robust.statistic),
        np.where(independent, np.where(usable, chi2.sf(statistic, 1), np.nan), robust.p_value),
    )


def _rows(
    knees: ConditionKnees, maneuver: str, group_by: str, groups: tuple[str, str], level: float
) -> Iterator[dict[str, object]]:
    if group_by == SEVERITY:
        return _degrees(knees, maneuver, groups, level)
    return _pair(knees, maneuver, group_by, groups, level)


def _degrees(
    knees: ConditionKnees, maneuver: str, degrees: tuple[str, str], level: float
) -> Iterator[dict[str, object]]:
    """The row of two degrees of a condition: sensitivity in graded knees; none without both."""
    column = f"severity_{knees.condition}"
    if column not in knees.frame.columns or not {*degrees} <= {*knees.frame[column].cast(pl.String).unique()}:
        return
    joint = Compared.groups(knees, maneuver, column, degrees).verified_joint()
    made = observed_difference(joint, "sensitivity", level, is_paired=False)
    key = {"condition": knees.condition, "maneuver": maneuver, "group_by": SEVERITY, "measure": "sensitivity"}
    key |= {"group_a": degrees[0], "group_b": degrees[1], "contrast": DIFFERENCE}
    columns = _counted(joint, "sensitivity") | contrast_columns(made, unpaired_test(joint, made))
    yield from records(columns, **key, differ=None, adjustment="none", flag=None, note=None)


def _pair(
    knees: ConditionKnees, maneuver: str, group_by: str, groups: tuple[str, str], level: float
) -> Iterator[dict[str, object]]:
    """Rows of one maneuver and two groups: on verified knees, and corrected."""
    compared = Compared.groups(knees, maneuver, group_by, groups)
    joint = compared.verified_joint()
    why = compared.shortage
    corrected = {} if why else compared.corrected(_PAIRS, level)
    key: dict[str, object] = {"condition": knees.condition, "maneuver": maneuver, "group_by": group_by}
    key |= {"group_a": groups[0], "group_b": groups[1], "contrast": DIFFERENCE, "differ": None}
    of_examiners = group_by in EXAMINER_GROUPS
    for measure in SAME_KNEES:
        own = key | {"measure": measure}
        counted = _counted(joint, measure)
        said: dict[str, str | None] = {"flag": None, "note": None}
        if of_examiners:
            columns, said = _by_examiner(compared, measure, level, is_corrected=False)
        else:
            made = observed_difference(joint, measure, level, is_paired=False)
            columns = contrast_columns(made, unpaired_test(joint, made))
        yield from records(counted | columns, **own, adjustment="none", **said)
        if why:
            columns, said = {"test": np.array(["none"])}, {"flag": "too_few_verified", "note": why}
        elif of_examiners:
            columns, said = _by_examiner(compared, measure, level, is_corrected=True)
        else:
            made, said = corrected[measure, DIFFERENCE], {"flag": "", "note": ""}
            columns = contrast_columns(made, robust_test(made, "robust"))
        yield from records(counted | columns, **own, adjustment="verification", **said)


def _by_examiner(
    compared: Compared, measure: str, level: float, *, is_corrected: bool
) -> tuple[dict[str, np.ndarray], dict[str, str | None]]:
    """Columns of a comparison of groups of examiners, and what must be said of it."""
    made = compared.examiner_contrast(measure, is_corrected=is_corrected)
    low, high = made.limits(level)
    is_tested = np.isfinite(made.p_value)
    columns = {
        "estimate_a": made.estimate_a,
        "estimate_b": made.estimate_b,
        "difference": made.value,
        "ci_low": low,
        "ci_high": high,
        "test": "examiner_clusters" if is_tested else "none",
        "statistic": made.statistic,
        "p_value": made.p_value,
    }
    shown = {name: np.array([value]) for name, value in columns.items()}
    return shown, examiner_remark(made)


def examiner_remark(made: ExaminerContrast) -> dict[str, str | None]:
    """Flag and note of a comparison of groups of examiners: whether they are enough for more than a description."""
    if min(made.examiners) >= ENOUGH_EXAMINERS:
        return {"flag": None, "note": None}
    there = " and ".join(str(count) for count in made.examiners)
    note = f"Descriptive only: {there} examiners stand behind the groups; {ENOUGH_EXAMINERS} or more each are required."
    return {"flag": "few_examiners", "note": note}


def _counted(joint: Joint, measure: str) -> dict[str, np.ndarray]:
    """Knees of both groups behind a measure; `n` and `fewest` (participants) those of the smaller group."""
    kinds = [joint.kinds_in(PROPORTIONS[measure][1], side) for side in (0, 1)]
    n_a, n_b = (joint.knees(of) for of in kinds)
    fewer = np.minimum(*(joint.participants(of) for of in kinds))
    return {"n_a": n_a, "n_b": n_b, "n": np.minimum(n_a, n_b), "fewest": fewer}

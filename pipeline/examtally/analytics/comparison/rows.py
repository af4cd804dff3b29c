"""Contrasts as rows of the public tables, with what a reader must be told beside them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import numpy as np
import numpy.typing as npt
import polars as pl

from examtally.analytics.comparison.contrast import Contrast, Significance
from examtally.analytics.intervals import BoolArray, FloatArray


def holm(p: npt.ArrayLike) -> FloatArray:
    """Holm's step-down adjustment of the p values of one family, (k,); NaN (no test made) stays NaN and does not count.

    Source: Holm S. Scand J Stat 1979;6:65–70.

    >>> holm([0.01, 0.04, 0.03, float("nan")])
    array([0.03, 0.06, 0.06,  nan])
    """
    values = np.asarray(p, dtype=np.float64)
    known = np.flatnonzero(~np.isnan(values))
    order = known[np.argsort(values[known], kind="stable")]
    steps = np.maximum.accumulate(values[order] * np.arange(known.size, 0, -1)) if known.size else values[order]
    adjusted = np.full(values.shape, np.nan)
    adjusted[order] = np.minimum(steps, 1.0)
    return adjusted


_EMPTY = {
    "sensitivity": ("none_with_condition", "No verified «noun» with the condition."),
    "specificity": ("none_without_condition", "No verified «noun» without the condition."),
    "ppv": ("none_positive", "No verified «noun» with a positive finding."),
    "npv": ("none_negative", "No verified «noun» with a negative finding."),
}
_NO_KNEE = "not_estimable", "No verified «noun» to compare."
_ONE_SIDED = "not_estimable", "One side has no verified «noun» to estimate this from."
_ZERO = "zero_cell", "A count that this ratio needs is 0: it cannot be given."
_SAME = "The two differ on no «noun»: there is nothing to test."
_NO_TEST = "No test can be made: all, or none, are alike."
_NO_LIMITS = "Limits cannot be given."


def contrast_columns(made: Contrast, test: Significance) -> dict[str, np.ndarray]:
    """Columns of a contrast and its test, one entry a row; NaN for nothing."""
    return {
        "estimate_a": made.estimate_a,
        "estimate_b": made.estimate_b,
        "difference": made.value,
        "ci_low": made.limits.low,
        "ci_high": made.limits.high,
        "test": np.where(test.name == "", "none", test.name),
        "statistic": test.statistic,
        "p_value": test.p_value,
    }


def records(columns: Mapping[str, np.ndarray], **values: object) -> Iterator[dict[str, object]]:
    """One dict a row of `columns`, each with `values` beside it."""
    lists = [column.tolist() for column in columns.values()]
    for row in zip(*lists, strict=True):
        yield dict(zip(columns, row, strict=True)) | values


def frame_of(rows: Iterable[Mapping[str, object]]) -> pl.DataFrame:
    """Rows as a frame, null in place of NaN; flag and note are texts even where nothing is said."""
    said = {"flag": pl.String, "note": pl.String}
    return without_nan(pl.DataFrame(list(rows), schema_overrides=said, infer_schema_length=None))


def with_remarks(frame: pl.DataFrame, minimum: int) -> pl.DataFrame:
    """Add flag and note: why a field is empty, and that fewer than `minimum` participants stand behind a row.

    `frame` has measure, contrast, difference, ci_low, p_value, n, `fewest` (participants) and `differ`, knees where
    both differ (null where that is not asked). Rows that have a note keep it.
    """
    noted = [_remark(row, minimum) for row in frame.iter_rows(named=True)]
    flags, notes = zip(*noted, strict=True) if noted else ((), ())
    return frame.with_columns(
        pl.Series("flag", flags, pl.String), pl.Series("note", notes, pl.String)
    )  # fmt: skip


def _remark(row: dict[str, object], minimum: int) -> tuple[str, str]:
    if row["note"]:
        return str(row["flag"]), str(row["note"])
    flag, note = _emptiness(row)
    people = row["fewest"]
    if isinstance(people, int | float) and people < minimum and row["n"]:
        return flag or "too_few", f"{note} Fewer than {minimum} participants: too few to estimate.".strip()
    return flag, note


def _emptiness(row: dict[str, object]) -> tuple[str, str]:
    if not row["n"]:
        return _EMPTY.get(str(row["measure"]), _NO_KNEE)
    if row["difference"] is None:
        return _ZERO if row["contrast"] == "ratio" else _ONE_SIDED
    sentences = [_SAME] if row["differ"] == 0 else [_NO_TEST] if row["p_value"] is None else []
    sentences += [_NO_LIMITS] if row["ci_low"] is None else []
    return ("not_estimable" if sentences else ""), " ".join(sentences)


def with_adjusted(frame: pl.DataFrame, within: tuple[str, ...], is_member: BoolArray) -> pl.DataFrame:
    """Add Holm's p values within each combination of `within`, over the rows of the family; null for others."""
    values = np.full(frame.height, np.nan)
    own = frame.with_row_index("row").filter(pl.Series(is_member, dtype=pl.Boolean))
    for _, part in own.group_by(*within, maintain_order=True):
        values[part["row"].to_numpy()] = holm(part["p_value"].cast(pl.Float64).to_numpy())
    return frame.with_columns(pl.Series("p_adjusted", values).fill_nan(None))


def without_nan(frame: pl.DataFrame) -> pl.DataFrame:
    """Null in place of NaN."""
    return frame.with_columns(pl.col(pl.Float64).fill_nan(None))

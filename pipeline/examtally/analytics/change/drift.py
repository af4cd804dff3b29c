"""Drift: whether accuracy, agreement, imaging or calibration moved to another level, and from which period on.

One change of level at an unknown period is looked for in each series of period means; the chance of so large a jump in
a series without one comes from seeded series, so that all series together give a false alarm in one analysis of twenty.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from examtally.analytics.bias_adjusted.model import BiasModels
from examtally.analytics.intervals import FloatArray
from examtally.contracts.periods import place_of
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import table_of

FEWEST_PERIODS = 12
FALSE_ALARMS = 0.05
"""Share of analyses without any drift in which some series raises an alarm."""
_FEWEST_A_SIDE = 3
_RUNS = 4000
_FEWEST_CASES = 5  # in a period, on average, under which a mean is no mean
_WATCHED = ("core_complete", "verified", "missed_injuries")


@dataclass(frozen=True)
class Jump:
    """The largest change of level: index of the first period of the new one, both levels, and its P value."""

    at: int
    before: float
    after: float
    p_value: float


def largest_jump(values: FloatArray, weights: FloatArray, seed: Sequence[int]) -> Jump | None:
    """The split of period means (T,) with weights (T,) that explains most, three periods a side at least.

    The statistic is the sum of squares between the two sides over that within, which knows neither level nor variance;
    its P value is that of normal means with variances as 1 / weights, drawn `_RUNS` times. None under twelve periods.

    Source: Hawkins DM. J Am Stat Assoc 1977;72:180-186 (likelihood-ratio test of one shift of a normal mean).
    """
    kept = weights > 0
    values, weights = values[kept], weights[kept]
    if values.size < FEWEST_PERIODS or weights.mean() < _FEWEST_CASES:
        return None
    found, at = _scan(values[None, :], weights)
    drawn = np.random.default_rng(seed).standard_normal((_RUNS, values.size)) / np.sqrt(weights)
    by_chance, _ = _scan(drawn, weights)
    split = int(at[0])
    levels = [float(np.average(values[side], weights=weights[side])) for side in (slice(split), slice(split, None))]
    p_value = (1 + int((by_chance >= found[0]).sum())) / (1 + _RUNS)
    return Jump(int(np.flatnonzero(kept)[split]), levels[0], levels[1], p_value)


def _scan(values: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The largest ratio between to within of each row of values (r, T), and where the second side begins."""
    left = np.cumsum(weights)[:-1]
    whole = weights.sum()
    mean = values @ weights / whole
    total = ((values - mean[:, None]) ** 2) @ weights
    below = np.cumsum((values - mean[:, None]) * weights, axis=1)[:, :-1]
    between = below**2 * whole / (left * (whole - left))
    between[:, : _FEWEST_A_SIDE - 1] = 0.0
    between[:, values.shape[1] - _FEWEST_A_SIDE :] = 0.0
    at = between.argmax(axis=1)
    most = between[np.arange(values.shape[0]), at]
    return most / np.maximum(total - most, 1e-300), at + 1


def drift_table(
    indicators: pl.DataFrame, models: BiasModels, pairs: pl.DataFrame, protocol: Protocol, core: Mapping[str, str]
) -> pl.DataFrame:
    """A row for each series that is long enough, columns as declared; `alarm` where P < 5 % over the number of series.

    `indicators` is that table; `pairs` has maneuver, period (of the later exam) and whether both found the same; `core`
    maps each core maneuver to the condition it is for.
    """
    rows = []
    for series, frame in _series(indicators, models, pairs, core):
        means = frame.group_by("period").agg(
            (pl.col("value") * pl.col("weight")).sum() / pl.col("weight").sum(), pl.col("weight").sum().alias("cases")
        )
        means = means.sort(pl.col("period").map_elements(place_of, return_dtype=pl.Int64)).drop_nulls().drop_nans()
        name = zlib.crc32("|".join(series.values()).encode())
        jump = largest_jump(means["value"].to_numpy(), means["cases"].to_numpy(), [protocol.calibration.seed, name])
        if jump is not None:
            told = {"period": means["period"][jump.at], "before": jump.before, "after": jump.after}
            rows.append(series | told | {"p_value": jump.p_value, "periods": means.height})
    limit = FALSE_ALARMS / max(len(rows), 1)
    return table_of("drift", [row | {"alarm": row["p_value"] < limit} for row in rows])


def _series(
    indicators: pl.DataFrame, models: BiasModels, pairs: pl.DataFrame, core: Mapping[str, str]
) -> Iterator[tuple[dict[str, str], pl.DataFrame]]:
    """Every series with its rows: period, value and weight."""
    mature = indicators.filter("mature", group_by="overall")
    for code in _WATCHED:
        own = mature.filter(pl.col("denominator") > 0, indicator=code)
        yield (
            _named("record", code, "", ""),
            own.select("period", "value", weight=pl.col("denominator").cast(pl.Float64)),
        )
    for maneuver, condition in core.items():
        own = pairs.filter(maneuver=maneuver)
        value = pl.col("same").cast(pl.Float64).alias("value")
        yield _named("agreement", "observed_agreement", "", maneuver), own.select("period", value, weight=pl.lit(1.0))
        if condition in models.fitted:
            yield from _accuracy(models, condition, maneuver)
    for condition in dict.fromkeys(core.values()):
        if condition in models.fitted:
            yield _named("calibration", "stated_minus_true", condition, ""), _calibration(models, condition)


def _named(kind: str, item: str, condition: str, maneuver: str) -> dict[str, str]:
    return {"kind": kind, "item": item, "condition": condition or "none", "maneuver": maneuver or "none"}


def _accuracy(models: BiasModels, condition: str, maneuver: str) -> Iterator[tuple[dict[str, str], pl.DataFrame]]:
    model = models.fitted[condition]
    frame = model.knees.frame.select(pl.col("period").cast(pl.String), result=f"result_{maneuver}")
    frame = frame.with_columns(chance=pl.Series(model.draws.chance)).filter(
        pl.col("result").cast(pl.String).is_in(["positive", "negative"])
    )
    for measure, meant, weight in (
        ("sensitivity", "positive", pl.col("chance")),
        ("specificity", "negative", 1 - pl.col("chance")),
    ):
        value = (pl.col("result").cast(pl.String) == meant).cast(pl.Float64)
        yield _named("accuracy", measure, condition, maneuver), frame.select("period", value=value, weight=weight)


def _calibration(models: BiasModels, condition: str) -> pl.DataFrame:
    """Stated probability after the exam less the chance of the condition."""
    model = models.fitted[condition]
    stated = model.knees.frame.select(pl.col("period").cast(pl.String), stated=f"impression_{condition}")
    off = stated.with_columns(value=pl.col("stated").cast(pl.Float64) - pl.Series(model.draws.chance))
    return off.drop_nulls("value").select("period", "value", weight=pl.lit(1.0))


def events_table(first_seen: pl.DataFrame, drift: pl.DataFrame) -> pl.DataFrame:
    """What began in the records within a period of an alarm; `first_seen` has event and period."""
    alarms: list[dict[str, Any]] = drift.filter("alarm").select("period").unique().to_dicts()
    places = {place_of(row["period"]) for row in alarms}
    near = [any(abs(place_of(period) - place) <= 1 for place in places) for period in first_seen["period"]]
    kept = first_seen.filter(pl.Series(near, dtype=pl.Boolean))
    return kept.group_by("period", "event").agg(pl.len().cast(pl.Int64).alias("number")).sort("period", "event")

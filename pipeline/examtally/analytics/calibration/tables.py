"""Calibration of stated and modelled probabilities: from the frame of forecasts to the public tables."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, astuple, dataclass

import polars as pl

from examtally.analytics.calibration.curves import Curve, forecast_counts, isotonic_curve, spline_curve
from examtally.analytics.calibration.forecasts import Forecasts
from examtally.analytics.calibration.measures import MEASURES, Measure, Resamples, Resampling, measure_all
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import table_of

EXAMINER_FORECASTS = ("examiner_after_history", "examiner_after_exam")
Row = dict[str, object]
_POINT = ("predicted", "observed", "band_low", "band_high", "n")


@dataclass(frozen=True)
class _Cell:
    """What a set of forecasts is about; the first columns of both tables."""

    condition: str
    forecast: str
    group_by: str
    group: str


@dataclass(frozen=True)
class CalibrationTables:
    """The public tables `calibration` and `calibration_curve`."""

    calibration: pl.DataFrame
    curves: pl.DataFrame


def model_calibration_tables(forecasts: pl.DataFrame, protocol: Protocol) -> CalibrationTables:
    """Measure the forecasts of models out of fold: a frame as in `calibration_tables`, without role; overall only."""
    cells = [
        (_Cell(condition, forecast, "overall", "all"), rows)
        for (condition, forecast), rows in forecasts.group_by("condition", "forecast", maintain_order=True)
    ]
    return _measured(cells, protocol)


def calibration_tables(
    forecasts: pl.DataFrame, contract: Contract, protocol: Protocol, own: pl.DataFrame | None = None
) -> CalibrationTables:
    """Measure every condition and forecast, overall and by role of the examiner, and by examiner with `own`.

    `forecasts` has a row for each index exam, mature and verified, with a stated probability: condition, forecast
    (examiner_after_history or examiner_after_exam), role (null reads as unknown), participant (integer key),
    probability (0–1) and outcome (0 or 1); nothing else missing (ValueError). Row order does not matter.
    `own` has examiner in place of role, and a row for each examiner's own first exam of an episode.
    Core conditions that something settles stand in the tables even where nobody stated a probability.
    Under the protocol's floor of knees, events and non-events a set of forecasts has its counts, and null with a note
    for every measure and curve.
    """
    cells = list(_cells(forecasts, contract, protocol))
    if own is not None:
        cells += [
            (_Cell(condition, forecast, "examiner", examiner), rows)
            for (condition, forecast, examiner), rows in own.group_by(
                "condition", "forecast", "examiner", maintain_order=True
            )
        ]
    return _measured(cells, protocol)


def _measured(cells: Iterable[tuple[_Cell, pl.DataFrame]], protocol: Protocol) -> CalibrationTables:
    pairs = [_describe(cell, frame, protocol) for cell, frame in cells]
    measures, curves = ([row for pair in pairs for row in pair[part]] for part in range(2))
    return CalibrationTables(table_of("calibration", measures), table_of("calibration_curve", curves))


def _cells(forecasts: pl.DataFrame, contract: Contract, protocol: Protocol) -> Iterator[tuple[_Cell, pl.DataFrame]]:
    """Rows of each condition × forecast, all of them and by role, those that must stand in the tables even if empty."""
    every = forecasts.with_columns(pl.col("role").fill_null("unknown"))
    expected = [
        code
        for code, condition in contract.catalogue.conditions.items()
        if condition.core and protocol.reference.accepted.get(code)
    ]
    present = every["condition"].unique().sort().to_list()
    for condition in dict.fromkeys([*expected, *present]):
        for forecast in EXAMINER_FORECASTS:
            rows = every.filter((pl.col("condition") == condition) & (pl.col("forecast") == forecast))
            if rows.height or condition in expected:
                yield _Cell(condition, forecast, "overall", "all"), rows
            for role in rows["role"].unique().sort():
                yield _Cell(condition, forecast, "role", role), rows.filter(pl.col("role") == role)


def _describe(cell: _Cell, rows: pl.DataFrame, protocol: Protocol) -> tuple[list[Row], list[Row]]:
    """Rows of measures and curves of one set of forecasts, or its counts and the reason there are none."""
    forecasts = Forecasts.of(rows["probability"].to_numpy(), rows["outcome"].to_numpy(), rows["participant"].to_numpy())
    lacking = _lacking(forecasts, protocol)
    if lacking:
        measures = [Measure(name, None, None, None, None, lacking) for name in MEASURES]
        curves = [forecast_counts(forecasts)] if forecasts.n else []
        missing = dict.fromkeys(("isotonic", "spline"), lacking)
    else:
        resamples = Resamples.of(forecasts, _resampling(cell, protocol))
        measures = list(measure_all(resamples))
        smooth = spline_curve(resamples)
        curves = [isotonic_curve(resamples), *([smooth] if smooth else []), forecast_counts(forecasts)]
        missing = {} if smooth else {"spline": "Every forecast is the same number."}
    few = "few_forecasts" if lacking else "not_estimable"
    about = asdict(cell)
    return (
        [about | row for row in _measure_rows(measures, forecasts, few, protocol)],
        [about | row for row in _curve_rows(curves, missing, few)],
    )


def _lacking(forecasts: Forecasts, protocol: Protocol) -> str:
    """What keeps these forecasts under the protocol's floor; empty where nothing does."""
    knees, events = protocol.calibration.min_knees, protocol.calibration.min_events
    n, with_condition = forecasts.n, forecasts.events
    if n >= knees and min(with_condition, n - with_condition) >= events:
        return ""
    return (
        f"Too few to say: {n} verified «nouns» with a stated probability, {with_condition} with the condition; "
        f"needs {knees}, of them {events} with and {events} without."
    )


def _resampling(cell: _Cell, protocol: Protocol) -> Resampling:
    """The protocol's resampling, with a seed of its own for each set of forecasts, whatever else is analysed."""
    seed = (protocol.calibration.seed, *"|".join(astuple(cell)).encode())
    return Resampling(protocol.calibration.bootstrap, seed, protocol.intervals.level, protocol.calibration.clip)


def _measure_rows(measures: Iterable[Measure], forecasts: Forecasts, absent: str, protocol: Protocol) -> Iterator[Row]:
    few = "too_few" if forecasts.participants < protocol.display.min_participants else None
    counts: Row = {"n": forecasts.n, "events": forecasts.events, "participants": forecasts.participants}
    for measure in measures:
        yield counts | {
            "measure": measure.name,
            "estimate": measure.estimate,
            "ci_low": measure.low,
            "ci_high": measure.high,
            "expected_by_chance": measure.expected_by_chance,
            "flag": absent if measure.estimate is None else few,
            "note": measure.note,
        }


def _curve_rows(curves: Iterable[Curve], missing: Mapping[str, str], absent: str) -> Iterator[Row]:
    """Points of the curves, and for each that is missing one row without a point that says why."""
    for curve in curves:
        points = zip(*(getattr(curve, name).tolist() for name in _POINT), strict=True)
        yield from ({"curve": curve.name} | dict(zip(_POINT, point, strict=True)) for point in points)
    for name, note in missing.items():
        yield {"curve": name, "flag": absent, "note": note}

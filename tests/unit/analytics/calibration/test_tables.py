"""The public calibration tables from a frame of forecasts."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from examtally.analytics.calibration.measures import MEASURES
from examtally.analytics.calibration.tables import EXAMINER_FORECASTS, calibration_tables
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import Protocol, load_protocol

CONTRACT = load_contract()
PROTOCOL = Protocol.defaults(CONTRACT)
CORE = [code for code, condition in CONTRACT.catalogue.conditions.items() if condition.core]


def forecasts(n: int = 200, condition: str = "acl_tear", forecast: str = EXAMINER_FORECASTS[1]) -> pl.DataFrame:
    rng = np.random.default_rng(n)
    p = np.round(rng.beta(1, 2, n), 1)
    return pl.DataFrame(
        {
            "condition": condition,
            "forecast": forecast,
            "role": pl.Series(rng.choice(["attending", "student"], n)).replace({"student": None}),
            "participant": rng.integers(0, n, n),
            "probability": p,
            "outcome": (rng.random(n) < p).astype(int),
        }
    )


def only(frame: pl.DataFrame, **where: str) -> pl.DataFrame:
    return frame.filter(**where)


def test_overall_and_each_role_with_every_measure() -> None:
    tables = calibration_tables(forecasts(), CONTRACT, PROTOCOL)
    rows = only(tables.calibration, condition="acl_tear", forecast="examiner_after_exam")
    groups = rows.select("group_by", "group").unique().sort("group_by", "group").rows()
    assert groups == [("overall", "all"), ("role", "attending"), ("role", "unknown")]
    assert rows.height == 3 * len(MEASURES)
    assert rows["estimate"].null_count() == 0
    frame = forecasts()
    assert only(rows, group="attending")["n"][0] == frame.filter(role="attending").height
    parts = {g: only(rows, group=g)["n"][0] for g in ("all", "attending", "unknown")}
    assert parts["attending"] + parts["unknown"] == parts["all"] == 200


def test_measures_are_those_of_the_rows() -> None:
    frame = forecasts()
    rows = only(calibration_tables(frame, CONTRACT, PROTOCOL).calibration, group="all", condition="acl_tear")
    brier = only(rows, measure="brier", forecast="examiner_after_exam").row(0, named=True)
    assert brier["estimate"] == pytest.approx(((frame["probability"] - frame["outcome"]) ** 2).mean(), abs=1e-14)
    assert brier["events"] == frame["outcome"].sum()
    assert brier["participants"] == frame["participant"].n_unique()


def test_row_order_and_other_conditions_change_nothing() -> None:
    frame = forecasts()
    alone = calibration_tables(frame, CONTRACT, PROTOCOL)
    other = pl.concat([forecasts(90, "pcl_tear"), frame.sample(fraction=1, shuffle=True, seed=3)])
    beside = calibration_tables(other, CONTRACT, PROTOCOL)
    for one, many in ((alone.calibration, beside.calibration), (alone.curves, beside.curves)):
        assert_frame_equal(only(one, condition="acl_tear"), only(many, condition="acl_tear"), check_exact=True)


def test_core_conditions_stand_there_without_a_forecast() -> None:
    tables = calibration_tables(forecasts().clear(), CONTRACT, PROTOCOL)
    assert set(tables.calibration["condition"]) == set(CORE)
    assert tables.calibration["n"].unique().to_list() == [0]
    assert tables.calibration["estimate"].null_count() == tables.calibration.height
    assert set(tables.calibration["flag"]) == {"few_forecasts"}
    assert set(tables.curves["curve"]) == {"isotonic", "spline"}


@pytest.mark.parametrize(
    ("n", "events"), [(3, 1), (19, 8), (40, 4), (40, 36), (40, 0)], ids=["3", "19", "4 with", "4 without", "none with"]
)
def test_under_the_floor_there_are_counts_and_a_reason(n: int, events: int) -> None:
    frame = forecasts(n).with_columns(outcome=(pl.int_range(n) < events).cast(pl.Int64), role=pl.lit("nurse"))
    tables = calibration_tables(frame, CONTRACT, PROTOCOL)
    rows = only(tables.calibration, condition="acl_tear", forecast="examiner_after_exam", group="all")
    assert rows.select("estimate", "ci_low", "ci_high", "expected_by_chance").null_count().row(0) == (9, 9, 9, 9)
    assert rows.select("n", "events").unique().row(0) == (n, events)
    assert rows["note"].str.contains("Too few to say").all()
    curves = only(tables.curves, condition="acl_tear", forecast="examiner_after_exam", group="all")
    assert only(curves, curve="counts")["n"].sum() == n
    missing = curves.filter(pl.col("curve") != "counts")
    assert missing.select("curve", "observed", "flag").rows() == [
        ("isotonic", None, "few_forecasts"),
        ("spline", None, "few_forecasts"),
    ]


def test_the_floor_is_the_protocols() -> None:
    frame = forecasts(60)
    strict = load_protocol({"calibration": {"min_knees": 61}}, CONTRACT)
    rows = only(calibration_tables(frame, CONTRACT, strict).calibration, condition="acl_tear")
    assert rows["estimate"].null_count() == rows.height


def test_one_forecast_value_has_scores_and_says_what_is_missing() -> None:
    frame = forecasts().with_columns(probability=pl.lit(0.5), role=pl.lit("fellow"))
    tables = calibration_tables(frame, CONTRACT, PROTOCOL)
    rows = only(tables.calibration, condition="acl_tear", forecast="examiner_after_exam", group="all")
    missing = rows.filter(pl.col("estimate").is_null())
    assert set(missing["measure"]) == {"slope", "ici", "auc"}
    assert set(missing["flag"]) == {"not_estimable"}
    curves = only(tables.curves, condition="acl_tear", forecast="examiner_after_exam", group="all")
    assert only(curves, curve="spline")["note"].to_list() == ["Every forecast is the same number."]
    assert only(curves, curve="isotonic").height == 1


def test_few_participants_are_flagged() -> None:
    frame = forecasts(60).with_columns(participant=pl.int_range(60) % 9, role=pl.lit("fellow"))
    rows = only(calibration_tables(frame, CONTRACT, PROTOCOL).calibration, condition="acl_tear", group="all")
    assert set(rows.filter(pl.col("estimate").is_not_null())["flag"]) == {"too_few"}


def test_a_missing_outcome_is_refused() -> None:
    with pytest.raises(ValueError, match="without missing"):
        calibration_tables(forecasts().with_columns(outcome=pl.lit(None, pl.Int64)), CONTRACT, PROTOCOL)


def test_an_examiner_who_stated_everything_is_measured_as_everybody() -> None:
    frame = forecasts()
    own = frame.select("condition", "forecast", examiner=pl.lit("EM-1"), participant="participant").with_columns(
        frame["probability"], frame["outcome"]
    )
    tables = calibration_tables(frame, CONTRACT, PROTOCOL, own)
    columns = ("condition", "forecast", "measure", "estimate", "n", "events", "expected_by_chance")
    everybody = tables.calibration.filter(pl.col("n") > 0, group_by="overall").select(columns[:4])
    alone = tables.calibration.filter(group_by="examiner", group="EM-1").select(columns[:4])
    assert alone.equals(everybody)

"""The tables of models, short exam and decision curves, from a diagnostic frame."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import polars as pl
import pytest
from diagnostic import diagnostic_frame

from examtally.analytics.calibration.tables import model_calibration_tables
from examtally.analytics.diagnostic_models.condition_models import ConditionModels, condition_models
from examtally.analytics.diagnostic_models.model_tables import (
    added_value_table,
    decision_curve_table,
    diagnostic_models_table,
    forecasts_of,
    model_terms_table,
)
from examtally.analytics.diagnostic_models.predictors import knees_of, predictors
from examtally.analytics.diagnostic_models.short_table import short_exam_table
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import load_protocol

CONTRACT = load_contract()
QUICK: dict[str, Any] = {"bootstrap": 50, "resamples": 100, "penalties": [1, 30]}
PROTOCOL = load_protocol({"modelling": QUICK}, CONTRACT)
Tables = dict[str, pl.DataFrame]


def made_of(frame: pl.DataFrame, condition: str = "acl_tear", **modelling: Any) -> Tables:
    protocol = load_protocol({"modelling": QUICK | modelling}, CONTRACT)
    fitted: tuple[ConditionModels, ...] = (condition_models(frame, condition, CONTRACT, protocol),)
    return {
        "diagnostic_models": diagnostic_models_table(fitted, protocol),
        "model_terms": model_terms_table(fitted, protocol),
        "added_value": added_value_table(fitted, frame, CONTRACT, protocol),
        "short_exam": short_exam_table(fitted, frame, CONTRACT, protocol),
        "decision_curve": decision_curve_table(fitted, protocol),
        "calibration": model_calibration_tables(forecasts_of(fitted), protocol).calibration,
    }


@cache
def ordinary() -> Tables:
    return made_of(diagnostic_frame(400, CONTRACT))


def test_exam_beats_history_and_both_are_corrected_downwards() -> None:
    models = ordinary()["diagnostic_models"].filter(measure="auc")
    history, exam = models.to_dicts()
    assert (history["model"], exam["model"]) == ("model_history", "model_exam")
    assert history["corrected"] < history["apparent"]
    assert exam["corrected"] < exam["apparent"]
    assert exam["ci_low"] > history["corrected"]
    assert abs(exam["out_of_fold"] - exam["corrected"]) < 0.03


def test_what_the_hands_added_has_its_interval() -> None:
    added = ordinary()["added_value"]
    by_model = {row["measure"]: row for row in added.filter(forecast_b="model_exam").to_dicts()}
    assert by_model["auc"]["ci_low"] > 0
    assert by_model["log_score"]["ci_high"] < 0
    stated = added.filter(forecast_a="examiner_after_history", forecast_b="examiner_after_exam")
    assert stated["n"].to_list() == [400] * 3
    assert stated.filter(measure="auc")["ci_low"][0] > 0


def test_terms_name_missing_findings_as_levels_of_their_own() -> None:
    terms = ordinary()["model_terms"].filter(model="model_exam")
    assert {"lachman_positive", "lachman_not_done", "pop_yes", "age_unknown"} <= set(terms["term"])
    positive = terms.filter(term="lachman_positive").row(0, named=True)
    assert positive["ci_low"] > 1
    assert positive["lr"] == pytest.approx(np.exp(positive["coefficient"]))
    assert not ordinary()["model_terms"].filter(pl.col("term").str.starts_with("lachman"), model="model_history").height
    exam = ordinary()["diagnostic_models"].filter(model="model_exam")
    assert exam["note"].str.contains("not done or not recorded counts as a finding of its own").all()


def test_every_row_says_that_only_verified_knees_are_in_it() -> None:
    for name in ("diagnostic_models", "model_terms", "added_value", "short_exam", "decision_curve"):
        assert ordinary()[name]["note"].str.contains("verified «nouns»").all(), name


def test_forecasts_out_of_fold_are_held_against_the_truth() -> None:
    calibration = ordinary()["calibration"]
    assert set(calibration["forecast"]) == {"model_history", "model_exam"}
    slope = calibration.filter(forecast="model_exam", measure="slope").row(0, named=True)
    assert slope["ci_low"] < 1 < slope["ci_high"]


def test_decision_curve_has_all_strategies_at_all_thresholds_on_the_same_knees() -> None:
    curve = ordinary()["decision_curve"]
    assert curve.height == 4 * len(PROTOCOL.modelling.thresholds)
    assert curve["n"].unique().to_list() == [400]
    every = curve.filter(strategy="all")
    assert every["imaged_per_100"].unique().to_list() == [100.0]
    assert every["avoided_per_100"].unique().to_list() == [0.0]
    half = curve.filter(threshold=0.5)
    assert half.filter(strategy="model_exam")["net_benefit"][0] > half.filter(strategy="all")["net_benefit"][0]


def test_short_exam_sums_seconds_only_where_each_maneuver_was_timed() -> None:
    rows = ordinary()["short_exam"]
    assert rows.filter("is_best")["size"].to_list() == [1, 2, 3, 4, 5]
    assert rows["seconds"].null_count() == rows.height
    timed = {"lachman": 20, "anterior_drawer": 30}
    some = made_of(diagnostic_frame(400, CONTRACT), seconds=timed)["short_exam"]
    known = some.filter(pl.col("seconds").is_not_null())
    assert set(known["maneuvers"]) <= {"lachman", "anterior_drawer", "lachman, anterior_drawer"}


def test_twice_the_same_and_another_seed_another_deal() -> None:
    again = made_of(diagnostic_frame(400, CONTRACT))
    for name, table in ordinary().items():
        assert table.equals(again[name]), name
    other = made_of(diagnostic_frame(400, CONTRACT), seed=3)
    assert not other["added_value"].equals(again["added_value"])


def test_room_is_shared_and_what_was_left_out_is_named() -> None:
    frame = diagnostic_frame(150, CONTRACT)
    knees = predictors(knees_of(frame, "acl_tear"), "acl_tear", CONTRACT, PROTOCOL)
    smaller = min(knees.events, 150 - knees.events)
    assert len(knees.exam_terms) <= smaller // 5
    assert "lachman_positive" in knees.exam_terms
    assert "mechanism" in knees.left_out
    assert knees.exam_terms[: len(knees.history_terms)] == knees.history_terms


@pytest.mark.parametrize(
    ("n", "columns"),
    [(0, {}), (2, {}), (60, {"present_acl_tear": [True] * 60}), (60, {"present_acl_tear": [True] * 5 + [False] * 55})],
)
def test_too_few_of_a_class_is_refused_in_words(n: int, columns: dict[str, Any]) -> None:
    made = made_of(diagnostic_frame(n, CONTRACT, **columns))
    assert made["model_terms"].is_empty()
    assert made["calibration"].is_empty()
    for name, figure in (
        ("diagnostic_models", "corrected"), ("short_exam", "log_score"), ("decision_curve", "net_benefit"),
    ):  # fmt: skip
        assert made[name][figure].null_count() == made[name].height > 0
        assert set(made[name]["flag"]) == {"too_few_to_model"}
        assert made[name]["note"].str.starts_with("Too few to model: ").all()
    by_model = made["added_value"].filter(forecast_b="model_exam")
    assert by_model["note"].str.contains("needs 20 of each").all()


def test_hardly_more_people_than_parts_are_refused_or_modelled_but_never_fail() -> None:
    who = np.arange(44) % 22
    present = np.arange(44) < 22
    frame = diagnostic_frame(44, CONTRACT, participant=who, present_acl_tear=present)
    refused = made_of(frame, folds=20, inner_folds=20, min_events=10)["diagnostic_models"]
    assert set(refused["note"]) == {"Too few to model: 22 people cannot be dealt into so many parts; needs 40."}
    small = diagnostic_frame(44, CONTRACT, participant=np.arange(44), present_acl_tear=np.arange(44) % 4 == 0)
    made = made_of(small, folds=20, inner_folds=10, min_events=10)
    assert made["diagnostic_models"]["corrected"].null_count() == 0


def test_a_constant_maneuver_and_an_unrecorded_history_do_no_harm() -> None:
    bare = {f"history_{item}": ["not_recorded"] * 200 for item in CONTRACT.catalogue.history}
    bare |= {"age_years": [None] * 200, "days_since_onset": [None] * 200, "mechanism": ["unknown"] * 200}
    frame = diagnostic_frame(200, CONTRACT, **bare, result_lachman=["positive"] * 200)
    made = made_of(frame.with_columns(pl.col("age_years", "days_since_onset").cast(pl.Int64)))
    history = made["diagnostic_models"].filter(model="model_history", measure="auc").row(0, named=True)
    assert history["terms"] == 0
    assert history["corrected"] == pytest.approx(0.5)
    assert history["note"].startswith("No history was recorded")
    assert "lachman_positive" not in made["model_terms"]["term"]
    assert made["added_value"].filter(forecast_b="model_exam", measure="auc")["difference"][0] > 0


def test_pure_noise_adds_nothing() -> None:
    made = made_of(diagnostic_frame(300, CONTRACT, noise=True))
    for row in made["diagnostic_models"].filter(measure="auc").to_dicts():
        assert row["ci_low"] < 0.5 < row["ci_high"]
    added = made["added_value"].filter(forecast_b="model_exam", measure="auc").row(0, named=True)
    assert added["ci_low"] < 0


def test_a_wider_choice_of_maneuvers_is_searched() -> None:
    frame = diagnostic_frame(300, CONTRACT)
    wide = made_of(frame, candidates="diagnostic", max_size=2)["short_exam"]
    best = wide.filter("is_best")
    assert best["size"].to_list()[:2] == [1, 2]
    assert best["size"].to_list()[-1] > 20

from __future__ import annotations

import math
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from examtally.contracts.results import conform, empty, personal_groups, result_codes, result_tables, table_of
from examtally.errors import ResultsError

# The public columns of the tables, typed from the data model; the last three end every table.
PUBLIC = {
    "indicators": "period, group_by, group, indicator, numerator, denominator, value, centre, limit_low, limit_high, "
    "mature, signal, rule",
    "comparisons": "condition, maneuver_a, maneuver_b, group_by, group, adjustment, measure, contrast, estimate_a, "
    "estimate_b, difference, ci_low, ci_high, test, statistic, p_value, p_adjusted, n, only_a, only_b",
    "interactions": "condition, maneuver, adjustment, measure, group_by, group_a, group_b, estimate_a, estimate_b, "
    "difference, ci_low, ci_high, test, p_value, p_adjusted, n_a, n_b",
    "roc": "condition, maneuver, threshold, tp, fp, fn, tn, sensitivity, specificity",
    "auc": "condition, maneuver, estimate, ci_low, ci_high, n, events",
    "level_ratios": "condition, maneuver, level, present, absent, lr, ci_low, ci_high",
    "sensitivity_analyses": (
        "condition, maneuver, group_by, group, scenario, measure, estimate, ci_low, ci_high, n, events, difference"
    ),
    "agreement": "maneuver, group_by, group, statistic, estimate, ci_low, ci_high, pairs, participants",
    "examiner_spread": "condition, maneuver, adjustment, measure, mean, ci_low, ci_high, between_sd, sd_low, sd_high, "
    "correlation, predict_low, predict_high, examiners, rung, prior",
    "examiner_probability": "condition, maneuver, examiner_id, measure, margin, probability_below, n",
    "tallies": (
        "condition, maneuver, group_by, group, exams, done, equivocal, interpretable, verified, tp, fp, fn, tn, "
        "participants, knees, equivocal_present, equivocal_absent, unverified_positive, unverified_negative, "
        "indeterminate_positive, indeterminate_negative, window_open, participants_present, participants_absent, "
        "participants_positive, participants_negative, tp_tp, tp_fp, tp_fn, tp_tn, fp_fp, fp_fn, fp_tn, fn_fn, fn_tn, "
        "tn_tn"
    ),
    "accuracy": (
        "condition, maneuver, group_by, group, adjustment, measure, estimate, ci_low, ci_high, level, interval, n, "
        "events, participants, deff, n_effective, reference, generalises_to, display"
    ),
    "flow": "condition, maneuver, step, reason, exams, participants",
    "post_test": "condition, maneuver, result, adjustment, pre_test, lr, post_test, ci_low, ci_high, n",
    "calibration": (
        "condition, forecast, group_by, group, measure, estimate, ci_low, ci_high, n, events, expected_by_chance"
    ),
    "calibration_curve": "condition, forecast, group_by, group, curve, predicted, observed, band_low, band_high, n",
    "verification": "condition, maneuver, result, exams, verified, share, ci_low, ci_high",
    "verification_bounds": (
        "condition, maneuver, group_by, group, measure, lower, upper, ci_low, ci_high, unverified_positive, "
        "unverified_negative"
    ),
    "verification_models": (
        "condition, model, terms, n, events, auc, min_probability, max_weight, ess_weights, fmi, penalty, converged"
    ),
    "site_summaries": "condition, maneuver, site_code, logit_sensitivity, logit_specificity, var_sensitivity, "
    "var_specificity, covariance, tp, fp, fn, tn",
    "pooled_sites": "condition, maneuver, measure, estimate, ci_low, ci_high, predict_low, predict_high, between_sd, "
    "correlation, sites, method",
    "known_truth": "condition, maneuver, measure, truth",
    "leading": (
        "condition, maneuver, group_by, group, basis, sensitivity, sensitivity_low, sensitivity_high, specificity, "
        "specificity_low, specificity_high, lr_positive, lr_positive_low, lr_positive_high, lr_negative, "
        "lr_negative_low, lr_negative_high, pre_test, post_positive, post_positive_low, post_positive_high, "
        "post_negative, post_negative_low, post_negative_high, verdict_positive, verdict_negative, expected_present, "
        "expected_absent, verified, participants, reference, assumed_reference, reason"
    ),
    "reference_posterior": (
        "condition, modality, measure, prior, prior_low, prior_high, estimate, ci_low, ci_high, both_tests, assumed"
    ),
    "bias_models": (
        "condition, terms, n, imaged, operated, prevalence, prevalence_unimaged, delta, pareto_k, ess, information, "
        "converged"
    ),
    "cohort_summary": "item, value",
    "batches": "batch_no, table, lines, stored, unchanged, conflict, waiting, held_back",
    "held_back": "batch_no, table, column, rule, lines",
    "intake_checks": "batch_no, table, rule, expectation, rows, checked, unexpected, raised",
    "assumptions": "batch_no, table, assumption, code, lines",
    "reference_error": "condition, maneuver, modality, reference_sensitivity, reference_specificity, "
    "covariance_present, covariance_absent, measure, estimate, ci_low, ci_high, compatible, source",
    "tipping": "condition, maneuver, measure, statement, parameter, value",
    "reference_accuracy": "condition, modality, measure, basis, source, estimate, ci_low, ci_high, events, n, knees",
    "latent_class": "condition, maneuver, model, population, parameter, mean, median, ci_low, ci_high, prior_a, "
    "prior_b, r_hat, ess_bulk",
    "learning": "condition, maneuver, examiner_id, sequence, outcome, score, limit, state, rule, p_acceptable, "
    "p_unacceptable, false_signal, true_signal, planned",
    "combinations": "condition, rule, maneuvers, measure, estimate, ci_low, ci_high, n",
    "dependence": "condition, maneuver_a, maneuver_b, given, covariance, phi, ci_low, ci_high, observed, "
    "if_independent, n",
    "diagnostic_models": "condition, model, measure, apparent, optimism, corrected, ci_low, ci_high, n",
    "model_terms": "condition, model, term, coefficient, lr, ci_low, ci_high",
    "added_value": "condition, forecast_a, forecast_b, measure, difference, ci_low, ci_high, n",
    "short_exam": "condition, size, maneuvers, log_score, se, auc",
    "decision_curve": "condition, strategy, threshold, net_benefit, ci_low, ci_high, imaged_per_100, missed_per_100, "
    "avoided_per_100, n",
    "patterns": "condition, maneuvers, pattern, present, absent, lr, ci_low, ci_high, model_lr",
    "drift": "kind, item, condition, maneuver, period, before, after, p_value, periods, alarm",
    "drift_events": "period, event, number",
    "changes": "condition, maneuver, measure, intervention, before, after, difference, ci_low, ci_high, method, "
    "examiners, n_before, n_after, case_mix_difference",
    "change_context": "intervention, about, item, level, before, after, n_before, n_after",
    "measure_agreement": ("maneuver, unit, group_by, group, statistic, estimate, ci_low, ci_high, subjects, examiners"),
    "agreement_steps": ("maneuver, step, differing_disagreed, disagreed, differing_agreed, agreed, p_value, chosen"),
    "study_analyses": "place, analysis, role, kind, tests, measures, group_by, tables",
    "study_participants": "group_by, group, knees, present, absent, unsettled",
    "study_population": "place, filter, exams, participants",
    "study_group_comparisons": "condition, maneuver, measure, group_by, group_a, group_b, method, leads, estimate_a, "
    "estimate_b, difference, ci_low, ci_high, p_value, least_p_value, examiners_a, examiners_b, n_a, n_b, "
    "design_effect, adjusted_for",
    "study_case_mix": "condition, maneuver, measure, group_by, group_a, group_b, variable, level, share_a, share_b, "
    "standardised_difference, n_a, n_b",
    "study_size": "quantity, measure, group, planned, reached",
    "study_description": "item, group, knees, present, absent, value",
    "study_arms": "group_by, group, described_by, description, knees, present, absent, unsettled",
    "study_pairs": "test_a, test_b, condition_status, result_a, result_b, knees, participants",
}
REASONS = (
    "outside_population, comparison_knee, operating_room, prior_surgery, reference_known, after_surgery, "
    "after_reference, not_index_exam, window_open, not_recorded, not_done, equivocal, not_verified, "
    "modality_not_accepted, outside_window, reference_indeterminate, analysed"
)
MEASURES = "prevalence, sensitivity, specificity, ppv, npv, lr_positive, lr_negative, diagnostic_odds_ratio, accuracy"


def _flow(**columns: Any) -> pl.DataFrame:
    rows = {
        "condition": ["acl_tear", "acl_tear", "acl_tear"],
        "maneuver": ["lachman"] * 3,
        "step": ["maturity", "finding", "eligibility"],
        "reason": ["window_open", "not_done", "comparison_knee"],
        "exams": [1, 2, 3],
        "participants": [1, 2, 3],
    }
    return pl.DataFrame(rows | columns)


def _post_test(**columns: Any) -> pl.DataFrame:
    row: dict[str, Any] = {
        "condition": "acl_tear",
        "maneuver": "lachman",
        "result": "positive",
        "adjustment": "none",
        "pre_test": 0.3,
        "lr": 5.0,
        "post_test": 0.68,
        "ci_low": None,
        "ci_high": None,
        "n": 40,
    }
    return pl.DataFrame([row | columns])


@pytest.mark.parametrize("name", PUBLIC)
def test_every_table_has_its_public_columns_in_order_and_ends_alike(name: str) -> None:
    names = result_tables()[name].names
    public = PUBLIC[name].split(", ")
    assert [column for column in names if column in public] == public
    assert names[-3:] == ("status", "flag", "note")


def test_only_the_listed_tables_are_declared() -> None:
    assert result_tables().keys() == PUBLIC.keys()


@pytest.mark.parametrize("name", PUBLIC)
def test_a_table_without_rows_conforms(name: str) -> None:
    assert conform(name, empty(name)).schema == result_tables()[name].schema


def test_codes_are_those_of_the_data_model() -> None:
    assert list(result_codes()["reason"]) == REASONS.split(", ")
    assert list(result_codes()["measure"]) == MEASURES.split(", ")
    assert list(result_codes()["status"]) == ["prespecified", "exploratory"]
    assert list(result_codes()["display"]) == ["estimate", "counts_only", "suppressed"]
    assert personal_groups() == ("examiner", "examiner_pair", "examiner_supervisor")


def test_every_set_of_codes_is_used() -> None:
    used = [column.codes for table in result_tables().values() for column in table.columns]
    assert [name for name, codes in result_codes().items() if codes not in used] == []


def test_rows_are_sorted_by_key_and_codes_by_their_declared_order() -> None:
    assert conform("flow", _flow())["reason"].to_list() == ["comparison_knee", "window_open", "not_done"]


def test_what_is_absent_at_the_end_is_filled_in() -> None:
    made = conform("flow", _flow(), status="prespecified")
    assert made["status"].unique().to_list() == ["prespecified"]
    assert made["flag"].null_count() == made["note"].null_count() == 3
    summary = conform("cohort_summary", pl.DataFrame({"item": ["exams"], "value": [12], "note": [""]}))
    assert summary.select("group", "value", "note").row(0) == ("all", 12.0, None)


@pytest.mark.parametrize(
    ("name", "frame", "message"),
    [
        ("flow", _flow().drop("exams"), "flow: lacks exams"),
        ("flow", _flow(extra=[1, 2, 3]), "flow: also has extra"),
        ("flow", _flow(step=["maturity", "finding", "luck"]), "flow.step: a code is not declared"),
        ("flow", _flow(flag=["oops", None, None]), "flow.flag: a code is not declared"),
        ("flow", _flow(reason=["not_done"] * 3, step=["finding"] * 3), "flow: two rows share one key"),
        ("flow", _flow(exams=[1, None, 3]), "flow.exams: a value is missing"),
        ("flow", _flow(condition=["", "acl_tear", "acl_tear"]), "flow.condition: a value is missing"),
        ("flow", _flow(exams=[1.0, 2.5, 3.0]), "flow.exams: a value is not a whole number"),
        ("flow", _flow(exams=["1", "dozen", "3"]), "flow.exams: a value is not of type integer"),
        ("post_test", _post_test(lr=math.inf), "post_test.lr: a value is not finite"),
        ("post_test", _post_test(lr=math.nan), "post_test.lr: a value is not finite"),
        ("post_test", _post_test(pre_test=None), "post_test.pre_test: a value is missing"),
    ],
)
def test_what_does_not_conform_is_refused_without_its_value(name: str, frame: pl.DataFrame, message: str) -> None:
    with pytest.raises(ResultsError) as refused:
        conform(name, frame)
    assert str(refused.value).startswith(message)
    for value in ("luck", "oops", "dozen", "2.5"):
        assert value not in str(refused.value)


def test_a_negative_zero_becomes_zero() -> None:
    assert math.copysign(1, conform("post_test", _post_test(ci_low=-0.0))["ci_low"][0]) == 1


keys = st.tuples(
    st.sampled_from(["acl_tear", "pcl_tear"]),
    st.sampled_from(["lachman", "posterior_sag"]),
    st.sampled_from(sorted(result_codes()["group_by"])),
    st.sampled_from(["all", "unknown", "student"]),
)


@given(rows=st.lists(keys, unique=True, min_size=1, max_size=30), chance=st.randoms())
def test_order_of_rows_and_columns_is_nothing(rows: list[tuple[str, ...]], chance: Any) -> None:
    table = result_tables()["tallies"]
    counts = [name for name in table.names if name not in (*table.key, "status", "flag", "note")]
    frame = pl.DataFrame(
        [dict(zip(table.key, row, strict=True)) | dict.fromkeys(counts, place) for place, row in enumerate(rows)]
    )
    columns = list(frame.columns)
    chance.shuffle(columns)
    chance.shuffle(rows)
    mixed = frame.select(columns).sample(fraction=1, shuffle=True, seed=chance.randrange(1000))
    assert conform("tallies", mixed).equals(conform("tallies", frame))


def test_rows_become_a_table_with_what_they_lack_missing_and_nothing_rounded() -> None:
    row: dict[str, object] = {
        "condition": "acl_tear",
        "maneuver": "lachman",
        "scale": "grade",
        "threshold": 1,
        "rule": "grade 1 or more",
    }
    row |= {"tp": 3, "fp": 1, "fn": 2, "tn": 4, "participants": 10}
    made = table_of("roc", [row, row | {"threshold": 2, "sensitivity": math.nan, "specificity": 0.8}])
    assert made["sensitivity"].to_list() == [None, None]
    assert made["specificity"].to_list() == [None, 0.8]
    assert made.select("status", "flag", "note").row(0) == ("exploratory", None, None)
    assert table_of("roc", []).equals(empty("roc"))
    with pytest.raises(ResultsError, match=r"roc\.tp: a value is not a whole number"):
        table_of("roc", [row | {"tp": 2.5}])
    with pytest.raises(ResultsError, match="roc: also has width"):
        table_of("roc", [row | {"width": 1}])

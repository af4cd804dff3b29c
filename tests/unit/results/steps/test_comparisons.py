"""The tables of comparisons, interactions, thresholds and levels, from hand-made registries."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from clinic import Records, connect
from compared import PAIR, analyzed, exam, ligament_knees, paired
from selective import Imaging, draw, truth

from examtally.analytics.comparison.tables import comparisons_table
from examtally.analytics.roc.scales import Findings
from examtally.analytics.verification_bias.knees import every_condition
from examtally.cohort.cohort import build_cohort
from examtally.cohort.diagnostic_frame import read_graded_frame
from examtally.cohort.verification_frame import read_verification_frame
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import load_protocol


def test_printed_pair_in_the_table(contract: Contract) -> None:
    """Newcombe RG. Stat Med 1998;17:2635-2650, Table II: 36, 12, 2, 0."""
    records = paired({"present": (36, 12, 2, 0), "absent": (2, 3, 1, 24)}, present=(1, 2), absent=(4, 3))
    number = 200
    for result in ("equivocal", "not_done"):
        at = exam(records, number := number + 1, "present")
        records.finding(at, "lachman", "positive").finding(at, "pivot_shift", result)
    tables = analyzed(records, contract)
    row = tables.compared("sensitivity")
    assert (row["difference"], row["ci_low"], row["ci_high"]) == pytest.approx((0.2, 0.0569296, 0.3404276), abs=1e-6)
    assert (row["n"], row["only_a"], row["only_b"], row["participants"]) == (50, 12, 2, 50)
    assert (row["test"], row["p_value"]) == ("mcnemar_midp", pytest.approx(0.00738525390625))
    assert tables.compared("sensitivity", "ratio")["difference"] == pytest.approx(48 / 38)
    specific = tables.compared("specificity")
    assert (specific["difference"], specific["only_a"], specific["only_b"]) == (pytest.approx(-2 / 30), 1, 3)
    assert tables.compared("ppv")["test"] == "weighted_score"
    ratio = tables.compared("lr_positive", "ratio")
    assert ratio["difference"] == pytest.approx((48 / 50 / (5 / 30)) / (38 / 50 / (3 / 30)))
    first = tables.compared("sensitivity", group_by="done_order", group="a_first")
    assert (first["n"], first["difference"]) == (50, pytest.approx(0.2))
    assert tables.compared("specificity", group_by="done_order", group="b_first")["n"] == 30
    exact = analyzed(records, contract, comparisons={"test": "mcnemar_exact"}).compared("sensitivity")
    assert (exact["test"], exact["p_value"]) == ("mcnemar_exact", pytest.approx(0.012939453125))


def test_p_values_are_adjusted_within_the_declared_family_only(contract: Contract) -> None:
    records = paired({"present": (36, 12, 2, 0), "absent": (2, 3, 1, 24)})
    for number in range(1, 81):
        records.finding(f"EX{number}", "lever_sign", "positive" if number % 3 else "negative")
    tables = analyzed(records, contract)
    one, other = tables.compared("sensitivity"), tables.compared("sensitivity", maneuver_b="lever_sign")
    smaller, larger = sorted([one["p_value"], other["p_value"]])
    assert sorted([one["p_adjusted"], other["p_adjusted"]]) == pytest.approx(
        [2 * smaller, max(larger, 2 * smaller)]
    )  # fmt: skip
    outside = tables.compared("sensitivity", maneuver_a="pivot_shift", maneuver_b="lever_sign")
    assert outside["p_value"] is not None
    assert outside["p_adjusted"] is None
    assert "Not in the declared family" in str(outside["note"])
    alone = analyzed(records, contract, comparisons={"family": {"acl_tear": [["lachman", "pivot_shift"]]}})
    assert alone.compared("sensitivity")["p_adjusted"] == pytest.approx(one["p_value"])


def test_groups_by_a_printed_example(contract: Contract) -> None:
    """56/70 against 48/80: Newcombe RG. Stat Med 1998;17:873-890, Table II, method 10: 0.0524 to 0.3339."""
    records, number = Records(), 0
    for days, positive, n in ((5, 56, 70), (200, 48, 80)):
        for place in range(n):
            at = exam(records, number := number + 1, "present", days_since_onset=days)
            records.finding(at, "lachman", "positive" if place < positive else "negative")
    found = analyzed(records, contract).interactions.filter(
        condition="acl_tear", maneuver="lachman", measure="sensitivity", adjustment="none", group_by="acuity"
    )
    row = found.row(0, named=True)
    assert (row["group_a"], row["group_b"], row["n_a"], row["n_b"]) == ("acute", "chronic", 70, 80)
    assert (row["difference"], row["ci_low"], row["ci_high"]) == pytest.approx((0.2, 0.0524, 0.3339), abs=5e-5)
    pooled = 104 / 150
    chi = 0.2**2 / (pooled * (1 - pooled) * (1 / 70 + 1 / 80)) * 149 / 150
    assert (row["test"], row["p_value"]) == ("chi_square", pytest.approx(math.erfc(math.sqrt(chi / 2))))


def test_corrected_differences_are_near_the_truth_where_the_naive_ones_are_not(contract: Contract) -> None:
    protocol = load_protocol(None, contract)
    cohort = draw(6000, Imaging(-2.4, (3.0, 0.3, 0.3), effusion=0.4, acute=0.3), np.random.default_rng(11))
    table = comparisons_table({"acl_tear": ligament_knees(cohort, contract, protocol)}, {}, protocol)
    sensitivity, specificity = truth()
    for measure, true in (
        ("sensitivity", sensitivity[0] - sensitivity[2]), ("specificity", specificity[0] - specificity[2]),
    ):  # fmt: skip
        rows = table.filter(**PAIR, measure=measure, contrast="difference", group_by="overall")
        row, naive = (
            rows.row(by_predicate=pl.col("adjustment") == name, named=True) for name in ("verification", "none")
        )
        assert row["ci_low"] < true < row["ci_high"]
        assert abs(row["difference"] - true) < 0.06
        assert abs(naive["difference"] - true) > 2 * abs(row["difference"] - true)
        assert (row["test"], naive["test"]) == ("robust", "robust")


def test_ratings_of_a_printed_example_become_thresholds_and_an_area(contract: Contract) -> None:
    """Hanley JA, McNeil BJ. Radiology 1982;143:29-36, table I."""
    records, number = Records(), 0
    for status, counts in (("absent", (33, 6, 6, 11, 2)), ("present", (3, 2, 2, 11, 33))):
        for grade, count in enumerate(counts):
            for _ in range(count):
                at = exam(records, number := number + 1, status, "knee_effusion")
                records.finding(at, "sweep_test", "positive" if grade else "negative", grade=grade)
    tables = analyzed(records, contract)
    own = {"condition": "knee_effusion", "maneuver": "sweep_test", "scale": "grade"}
    area = tables.auc.filter(**own).row(0, named=True)
    assert (area["n"], area["events"]) == (109, 51)
    assert (area["estimate"], area["ci_low"], area["ci_high"]) == pytest.approx((0.893171, 0.83295, 0.95339), abs=5e-6)
    assert tables.roc.filter(**own).select("threshold", "tp", "fp", "fn", "tn").rows() == [
        (0, 51, 58, 0, 0), (1, 48, 25, 3, 33), (2, 46, 19, 5, 39), (3, 44, 13, 7, 45), (4, 33, 2, 18, 56),
    ]  # fmt: skip
    levels = tables.level_ratios.filter(**own)
    assert levels["level"].to_list() == ["0", "1", "2", "3", "4"]
    assert levels["lr"][4] == pytest.approx(33 / 51 / (2 / 58))
    assert levels["step"][1] == pytest.approx(2 / 6 / (3 / 33))


def test_pain_and_laxity_are_rules_of_their_own(contract: Contract) -> None:
    """With the injury 30 knees, 18 lax and 24 painful; without it 30, 6 lax and 15 painful."""
    records, number = Records(), 0
    for status, lax, painful in (("present", 18, 24), ("absent", 6, 15)):
        for place in range(30):
            at = exam(records, number := number + 1, status, "mcl_injury")
            more = {"pain": "yes" if place >= 30 - painful else "no", "end_point": "soft" if place < lax else "firm"}
            is_lax = place < lax
            sign = "laxity" if is_lax else None
            records.finding(at, "valgus_stress_30", "positive" if is_lax else "negative", sign=sign, **more)
    roc = analyzed(records, contract).roc.filter(condition="mcl_injury", maneuver="valgus_stress_30")
    counts = {(r["scale"], r["threshold"]): (r["tp"], r["fp"], r["fn"], r["tn"]) for r in roc.to_dicts()}
    assert counts["sign", 1] == counts["end_point", 1] == (18, 6, 12, 24)
    assert counts["pain", 1] == (24, 15, 6, 15)


@pytest.mark.parametrize(
    ("graded", "zeros", "said"),
    [
        ({"positive": 20, "negative": 0}, 20, "stands for grade 0"),
        ({"positive": 15, "negative": 15}, 15, "left out: 10"),
        ({"positive": 20, "negative": 15}, 20, "stands for grade 0"),
    ],
)
def test_a_negative_finding_without_a_grade(
    graded: Mapping[str, int], zeros: int, said: str, contract: Contract
) -> None:
    records, number = Records(), 0
    for result, grade in (("positive", 2), ("negative", 0)):
        for place in range(20):
            at = exam(records, number := number + 1, "present" if place % 2 else "absent")
            records.finding(at, "lachman", result, grade=grade if place < graded[result] else None)
    levels = analyzed(records, contract).level_ratios.filter(
        condition="acl_tear", maneuver="lachman", scale="grade", level="0"
    )
    row = levels.row(0, named=True)
    assert row["present"] + row["absent"] == zeros
    assert said in row["note"]


def test_side_difference_counts_only_against_a_normal_other_knee(contract: Contract) -> None:
    records = Records()
    for number in range(1, 41):
        at = exam(
            records, number, "present" if number % 2 else "absent", other_knee=("normal", "abnormal")[number // 21]
        )
        records.finding(at, "lachman", "positive" if number % 2 else "negative", measure=number % 2 * 6 + number % 3)
    auc = analyzed(records, contract).auc.filter(condition="acl_tear", maneuver="lachman")
    assert dict(auc.select("scale", "n").rows()) == {"measure": 40, "side_difference": 20}
    assert set(auc["estimate"]) == {1.0}
    assert set(auc["ci_low"]) == {None}
    assert auc["flag"].to_list() == ["not_estimable"] * 2


@pytest.mark.parametrize(
    "cells",
    [
        {},
        {"present": (1, 0, 0, 0), "absent": (0, 0, 0, 1)},
        {"present": (0, 1, 1, 0)},
        {"present": (10, 0, 0, 0), "absent": (10, 0, 0, 0)},
        {"present": (8, 0, 0, 3), "absent": (2, 0, 0, 9)},
        {"present": (12, 0, 0, 0), "absent": (0, 0, 0, 12)},
    ],
)
def test_poor_records_give_notes(cells: Mapping[str, tuple[int, int, int, int]], contract: Contract) -> None:
    tables = analyzed(paired(cells), contract)
    for table in (tables.comparisons, tables.interactions, tables.auc, tables.level_ratios):
        for row in table.to_dicts():
            empty = [name for name in ("difference", "ci_low", "p_value", "estimate", "lr") if row.get(name, 1) is None]
            assert not empty or row["note"], (empty, row)
            assert row.get("p_value") != 1.0 or row["only_a"] + row["only_b"] > 0
    if cells:
        assert tables.compared("sensitivity")["n"] == sum(cells["present"])


def test_a_measure_not_made_against_the_other_knee_is_held_against_the_comparison_knee(contract: Contract) -> None:
    records, protocol = Records(), load_protocol(None, contract)
    for number in range(1, 9):
        at = exam(records, number, "present" if number % 2 else "absent")
        records.finding(at, "lachman", "positive", measure=10 + number)
        if number <= 6:
            records.exam(f"EX{100 + number}", f"PT{number}", side="right", complaint="no")
            records.finding(f"EX{100 + number}", "lachman", "negative", measure=number * 2)
    records.exam("EX0", "PT0", period="2025-01")
    with build_cohort(connect(contract, records), contract, protocol) as cohort:
        frame = read_verification_frame(cohort.con, cohort.groupings, contract, protocol)
        recorded = read_graded_frame(cohort.con, contract).filter(maneuver="lachman")
    knees = every_condition(frame, contract, protocol)["acl_tear"]
    plain = replace(contract.catalogue.maneuvers["lachman"], compared_with_other_side=False)
    scales = {scale.name: scale for scale in Findings(knees, plain, recorded).scales()}
    assert scales["measure"].value.tolist() == [11, 12, 13, 14, 15, 16, 17, 18]
    assert scales["side_difference"].value[:6].tolist() == [9, 8, 7, 6, 5, 4]
    assert np.isnan(scales["side_difference"].value[6:]).all()
    assert "left out: 2" in scales["side_difference"].left_out

"""The accuracy table: what every row says, when it says nothing, and what it tells the reader then."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table, post_test_table
from examtally.analytics.diagnostic_accuracy.notes import Remark, in_words
from examtally.analytics.diagnostic_accuracy.proportions import wilson
from examtally.analytics.intervals import normal_quantile, t_quantile
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol, load_protocol

CELLS = ("tp", "fp", "fn", "tn")
Row = dict[str, Any]
Make = Callable[..., Any]


@pytest.fixture(scope="module")
def table(contract: Contract) -> Make:
    """Accuracy of tallies under a protocol that changes the given keys."""

    def make(tallies: pl.DataFrame, clusters: pl.DataFrame | None = None, **keys: Any) -> pl.DataFrame:
        return accuracy_table(tallies, clusters, contract, load_protocol(keys, contract))

    return make


@pytest.fixture(scope="module")
def single(knee: Make, tally: Make) -> Make:
    """Tallies of a 2x2 table in which everybody has one knee."""

    def make(tp: int, fp: int, fn: int, tn: int, **place: str) -> pl.DataFrame:
        cells = np.repeat(CELLS, [tp, fp, fn, tn])
        return tally([knee(person, str(cell)) for person, cell in enumerate(cells)], **place)

    return make


@pytest.fixture(scope="module")
def paired(knee: Make) -> list[Any]:
    """150 people with two knees each, alike within a person, torn or sound, each seen by one of five examiners."""
    rng = np.random.default_rng(2)
    knees = []
    for person in range(150):
        mood = rng.random()
        for torn, examiner in zip(rng.random(2) < 0.5, rng.integers(5, size=2).tolist(), strict=True):
            skill = 0.5 + 0.1 * examiner
            right = (mood if rng.random() < 0.9 else rng.random()) < skill
            cell = ("tp" if right else "fn") if torn else ("tn" if right else "fp")
            knees.append(knee(person, cell, examiner))
    return knees


def row(frame: pl.DataFrame, measure: str, **where: str) -> Row:
    return frame.filter(measure=measure, **where).row(0, named=True)


def numbers(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.select("estimate", "ci_low", "ci_high", "deff", "n_effective")


def influence(knees: list[Any], values: dict[str, float], cluster: Callable[[Any], object]) -> float:
    """Squared cluster sums of a value for each cell: a clustered variance by hand, before m/(m-1)."""
    sums: dict[object, float] = {}
    for knee in knees:
        sums[cluster(knee)] = sums.get(cluster(knee), 0.0) + values[knee.cell]
    return sum(value**2 for value in sums.values())


def test_independent_knees_get_the_plain_intervals(table: Make, single: Make) -> None:
    accuracy = table(single(231, 32, 27, 54))
    expected = {
        "prevalence": (258, 344),
        "sensitivity": (231, 258),
        "specificity": (54, 86),
        "ppv": (231, 263),
        "npv": (54, 81),
        "accuracy": (285, 344),
    }
    for measure, (events, n) in expected.items():
        got, limits = row(accuracy, measure), wilson(events, n)
        assert (got["events"], got["n"], got["participants"]) == (events, n, n)
        assert got["estimate"] == pytest.approx(events / n)
        assert (got["ci_low"], got["ci_high"]) == pytest.approx((float(limits.low), float(limits.high)))
        assert (got["deff"], got["n_effective"], got["interval"]) == (1, n, "wilson")
        assert (got["display"], got["flag"], got["note"]) == ("estimate", None, None)


def test_each_measure_is_there_once(table: Make, single: Make) -> None:
    accuracy = table(single(20, 5, 5, 30))
    assert accuracy["measure"].to_list() == [
        "prevalence",
        "sensitivity",
        "specificity",
        "ppv",
        "npv",
        "lr_positive",
        "lr_negative",
        "diagnostic_odds_ratio",
        "accuracy",
    ]
    assert set(accuracy["adjustment"]) == {"none"}
    assert set(accuracy["level"]) == {0.95}
    assert set(accuracy["reference"]) == {"best_available"}
    assert set(accuracy["generalises_to"]) == {"these_examiners"}


def test_swapping_the_labels_swaps_sensitivity_and_specificity(table: Make, single: Make) -> None:
    """Call the sound torn and the positive negative: each measure becomes its mirror image."""
    straight, mirrored = table(single(31, 7, 12, 50)), table(single(50, 12, 7, 31))
    for measure, mirror in (("sensitivity", "specificity"), ("ppv", "npv"), ("accuracy", "accuracy")):
        assert numbers(straight.filter(measure=measure)).equals(numbers(mirrored.filter(measure=mirror)))
    assert row(straight, "sensitivity")["estimate"] == pytest.approx(31 / 43)
    assert row(straight, "specificity")["estimate"] == pytest.approx(50 / 57)
    odds = [row(one, "diagnostic_odds_ratio")["estimate"] for one in (straight, mirrored)]
    assert odds[0] == pytest.approx(odds[1])


def test_clustered_proportion_by_hand(table: Make, tally: Make, paired: list[Any]) -> None:
    got = row(table(tally(paired)), "sensitivity")
    torn = [knee for knee in paired if knee.cell in ("tp", "fn")]
    n, m = len(torn), len({knee.participant for knee in torn})
    p = sum(knee.cell == "tp" for knee in torn) / n
    variance = m / (m - 1) * influence(torn, {"tp": (1 - p) / n, "fn": -p / n}, lambda knee: knee.participant)
    deff = variance / (p * (1 - p) / n)
    n_effective = n / deff * (normal_quantile(0.95) / float(t_quantile(0.95, m - 1))) ** 2
    limits = wilson(p * n_effective, n_effective)
    assert deff > 1.1
    assert (got["deff"], got["n_effective"]) == pytest.approx((deff, n_effective))
    assert (got["ci_low"], got["ci_high"]) == pytest.approx((float(limits.low), float(limits.high)))
    assert (got["n"], got["participants"], got["interval"]) == (n, m, "wilson_clustered")


def test_clustered_ratio_by_hand(table: Make, tally: Make, paired: list[Any]) -> None:
    """Participants with a torn and a sound knee tie sensitivity to specificity: their covariance counts."""
    got = row(table(tally(paired)), "lr_positive")
    count = {cell: sum(knee.cell == cell for knee in paired) for cell in CELLS}
    n1, n0 = count["tp"] + count["fn"], count["fp"] + count["tn"]
    weights = {"tp": 1 / count["tp"] - 1 / n1, "fn": -1 / n1, "fp": -1 / count["fp"] + 1 / n0, "tn": 1 / n0}
    variance = 150 / 149 * influence(paired, weights, lambda knee: knee.participant)
    alone = 1 / count["tp"] - 1 / n1 + 1 / count["fp"] - 1 / n0
    ratio = (count["tp"] / n1) / (count["fp"] / n0)
    spread = np.exp(1.959963984540054 * np.sqrt(variance))
    assert got["estimate"] == pytest.approx(ratio)
    assert (got["ci_low"], got["ci_high"]) == pytest.approx((ratio / spread, ratio * spread))
    assert got["deff"] == pytest.approx(variance / alone)
    assert (got["n"], got["participants"], got["interval"]) == (300, 150, "log_delta_clustered")


def test_dropping_the_clustering_would_be_seen(table: Make, tally: Make, single: Make, paired: list[Any]) -> None:
    count = [sum(knee.cell == cell for knee in paired) for cell in CELLS]
    clustered, alone = table(tally(paired)), table(single(*count))
    for measure in ("sensitivity", "specificity", "accuracy"):
        one, other = row(clustered, measure), row(alone, measure)
        assert one["estimate"] == other["estimate"]
        assert one["ci_high"] - one["ci_low"] > 1.05 * (other["ci_high"] - other["ci_low"])


def test_only_the_denominator_with_a_second_knee_is_clustered(table: Make, knee: Make, tally: Make) -> None:
    torn = [knee(person, "tp" if person % 4 else "fn") for person in range(40)]
    sound = [knee(100 + person // 2, "tn" if person % 3 else "fp") for person in range(60)]
    accuracy = table(tally([*torn, *sound]))
    assert row(accuracy, "sensitivity")["interval"] == "wilson"
    assert row(accuracy, "specificity")["interval"] == "wilson_clustered"
    assert row(accuracy, "lr_positive")["interval"] == "log_delta_clustered"


def test_one_torn_and_one_sound_knee_cluster_the_ratio_only(table: Make, knee: Make, tally: Make) -> None:
    knees = [
        knee(person, cell)
        for person in range(40)
        for cell in ("tp" if person % 4 else "fn", "fp" if person % 5 == 0 else "tn")
    ]
    accuracy = table(tally(knees))
    assert row(accuracy, "sensitivity")["interval"] == "wilson"
    assert row(accuracy, "accuracy")["interval"] == "wilson_clustered"
    assert row(accuracy, "lr_negative")["interval"] == "log_delta_clustered"


def test_all_positive_knees_of_two_a_person_count_each_person_once(table: Make, knee: Make, tally: Make) -> None:
    knees = [knee(person // 2, "tp") for person in range(60)] + [knee(100 + i, "tn") for i in range(30)]
    got, limits = row(table(tally(knees)), "sensitivity"), wilson(30, 30)
    assert (got["n"], got["n_effective"], got["deff"]) == (60, 30, 2)
    assert (got["ci_low"], got["ci_high"]) == (pytest.approx(float(limits.low)), 1.0)
    assert got["flag"] == "all_or_none"


@pytest.mark.parametrize("keys", [{}, {"intervals": {"lr": "log_delta"}}])
def test_a_zero_cell_of_clustered_knees_takes_the_score_interval(
    keys: dict[str, Any], table: Make, knee: Make, tally: Make
) -> None:
    knees = [knee(i // 2, "tp" if i % 7 else "fn") for i in range(60)] + [knee(100 + i // 2, "tn") for i in range(40)]
    accuracy = table(tally(knees), **keys)
    positive = row(accuracy, "lr_positive")
    assert positive["estimate"] is None
    assert positive["ci_low"] > 1
    assert positive["ci_high"] is None
    assert (positive["interval"], positive["flag"]) == ("score_clustered", "zero_cell")
    assert "infinite" in positive["note"]
    assert "lower limit" in positive["note"]
    negative = row(accuracy, "lr_negative")
    assert negative["ci_low"] < negative["estimate"] < negative["ci_high"] < 1
    odds = row(accuracy, "diagnostic_odds_ratio")
    assert (odds["estimate"], odds["ci_low"], odds["interval"]) == (None, None, "none")


def test_a_half_in_clustered_zero_cells_is_no_narrower_than_in_single_ones(
    table: Make, knee: Make, tally: Make, single: Make
) -> None:
    """The empty cell adds nothing to a clustered sum of squares; its 1/0.5 must still be there."""
    keys = {"intervals": {"lr": "log_delta", "zero_cells": "half"}}
    knees = [knee(i // 2, "tp" if i // 2 % 7 else "fn") for i in range(60)]
    knees += [knee(100 + i // 2, "tn") for i in range(40)]
    count = [sum(one.cell == cell for one in knees) for cell in CELLS]
    for measure in ("lr_positive", "lr_negative", "diagnostic_odds_ratio"):
        clustered, alone = row(table(tally(knees), **keys), measure), row(table(single(*count), **keys), measure)
        assert clustered["estimate"] == pytest.approx(alone["estimate"])
        assert clustered["ci_low"] < alone["ci_low"]
        assert clustered["ci_high"] > alone["ci_high"]
        assert clustered["flag"] == "zero_cell"


def test_zero_cells_are_left_alone_unless_a_half_is_asked_for(table: Make, single: Make) -> None:
    plain = table(single(20, 0, 5, 30))
    assert row(plain, "lr_positive")["estimate"] is None
    assert row(plain, "lr_positive")["ci_low"] > 1
    assert row(plain, "diagnostic_odds_ratio")["estimate"] is None
    halved = table(single(20, 0, 5, 30), intervals={"zero_cells": "half"})
    assert row(halved, "lr_positive")["estimate"] is None, "the score interval adds nothing"
    assert row(halved, "diagnostic_odds_ratio")["estimate"] == pytest.approx(20.5 * 30.5 / (0.5 * 5.5))
    assert row(halved, "diagnostic_odds_ratio")["flag"] == "zero_cell"


def test_no_false_negative_gives_a_ratio_of_0_with_its_upper_limit(table: Make, single: Make) -> None:
    got = row(table(single(25, 5, 0, 30)), "lr_negative")
    assert (got["estimate"], got["ci_low"]) == (0, 0)
    assert 0 < got["ci_high"] < 1
    assert got["flag"] == "zero_cell"
    assert "upper limit" in got["note"]


DEGENERATE = {
    "nothing": (0, 0, 0, 0),
    "only torn": (12, 0, 5, 0),
    "only sound": (0, 5, 0, 12),
    "nobody positive": (0, 0, 12, 15),
    "nobody negative": (12, 15, 0, 0),
    "one knee": (1, 0, 0, 0),
    "all right": (12, 0, 0, 15),
    "all wrong": (0, 15, 12, 0),
}


@pytest.mark.parametrize("keys", [{}, {"intervals": {"lr": "log_delta", "zero_cells": "half"}}])
@pytest.mark.parametrize("cells", DEGENERATE.values(), ids=DEGENERATE)
def test_degenerate_tables_say_why_they_say_nothing(
    cells: tuple[int, ...], keys: dict[str, Any], table: Make, single: Make
) -> None:
    accuracy = table(single(*cells), **keys)
    for got in accuracy.iter_rows(named=True):
        values = [got[name] for name in ("estimate", "ci_low", "ci_high")]
        assert all(value is None or np.isfinite(value) for value in values)
        if None in values:
            assert got["flag"], got
            assert got["note"].endswith(".")
        if got["n"] == 0:
            assert values == [None, None, None]
            assert got["interval"] == "none"
            assert got["display"] == "counts_only"


def test_the_reason_for_an_empty_denominator_is_named(table: Make, single: Make) -> None:
    sound_only = table(single(0, 5, 0, 12))
    assert row(sound_only, "sensitivity")["flag"] == "none_with_condition"
    assert row(sound_only, "lr_positive")["flag"] == "none_with_condition"
    assert row(table(single(3, 0, 4, 0)), "specificity")["flag"] == "none_without_condition"
    assert row(table(single(0, 0, 4, 9)), "ppv")["flag"] == "none_positive"
    assert row(table(single(4, 9, 0, 0)), "npv")["flag"] == "none_negative"
    assert row(table(single(0, 0, 0, 0)), "prevalence")["flag"] == "none_verified"


def test_several_knees_of_one_person_have_an_estimate_and_no_interval(table: Make, knee: Make, tally: Make) -> None:
    accuracy = table(tally([knee("P1", "tp"), knee("P1", "fn"), knee("P1", "tn"), knee("P1", "fp")]))
    got = row(accuracy, "sensitivity")
    assert (got["estimate"], got["ci_low"], got["ci_high"], got["interval"]) == (0.5, None, None, "none")
    assert (got["deff"], got["n_effective"]) == (None, None)
    assert got["flag"] == "not_estimable"
    assert row(accuracy, "lr_positive")["ci_high"] is None
    assert row(accuracy, "diagnostic_odds_ratio")["interval"] == "none"


def test_estimates_are_shown_from_ten_participants_on(table: Make, single: Make, knee: Make, tally: Make) -> None:
    ten = table(single(6, 4, 4, 6))
    assert set(ten["display"]) == {"estimate"}
    nine = table(single(6, 4, 3, 16))
    shown = {got["measure"]: got["display"] for got in nine.iter_rows(named=True)}
    hidden = {"sensitivity", "lr_positive", "lr_negative", "diagnostic_odds_ratio"}
    assert {measure for measure, display in shown.items() if display == "counts_only"} == hidden
    assert row(nine, "sensitivity")["flag"] == "too_few"
    assert row(nine, "sensitivity")["estimate"] is not None
    two_each = table(tally([knee(i // 2, "tp" if i % 4 else "fn") for i in range(18)]))
    assert row(two_each, "sensitivity")["display"] == "counts_only", "knees are not people"


def test_the_protocol_may_ask_for_more_participants(table: Make, single: Make) -> None:
    accuracy = table(single(6, 4, 4, 6), display={"min_participants": 11})
    assert row(accuracy, "sensitivity")["note"] == "Fewer than 11 participants: too few to estimate."


def test_role_reaches_new_examiners(table: Make, tally: Make, tally_by_examiner: Make, paired: list[Any]) -> None:
    tallies = pl.concat([tally(paired), tally(paired, group_by="role", group="resident")])
    accuracy = table(tallies, tally_by_examiner(paired, group="resident"))
    overall, role = (row(accuracy, "sensitivity", group_by=name) for name in ("overall", "role"))
    assert overall["generalises_to"] == "these_examiners"
    assert (role["generalises_to"], role["interval"]) == ("new_examiners", "two_way_clustered")
    assert role["estimate"] == overall["estimate"]
    assert role["ci_high"] - role["ci_low"] > overall["ci_high"] - overall["ci_low"]


def test_two_way_variance_by_hand(table: Make, tally: Make, tally_by_examiner: Make, paired: list[Any]) -> None:
    """Participant + examiner - both, t on the five examiners less one."""
    role = tally(paired, group_by="role", group="resident")
    got = row(table(role, tally_by_examiner(paired, group="resident")), "accuracy")
    n, m, examiners = 300, 150, 5
    p = sum(knee.cell in ("tp", "tn") for knee in paired) / n
    values = {cell: ((cell in ("tp", "tn")) - p) / n for cell in CELLS}
    by_person = m / (m - 1) * influence(paired, values, lambda knee: knee.participant)
    by_examiner = examiners / (examiners - 1) * influence(paired, values, lambda knee: knee.examiner)
    by_both = m / (m - 1) * influence(paired, values, lambda knee: (knee.participant, knee.examiner))
    variance = by_person + by_examiner - by_both
    assert variance > max(by_person, by_examiner)
    deff = variance / (p * (1 - p) / n)
    n_effective = n / deff * (normal_quantile(0.95) / float(t_quantile(0.95, 4))) ** 2
    assert (got["deff"], got["n_effective"]) == pytest.approx((deff, n_effective))


def test_two_way_ratio_takes_t_on_examiners(
    table: Make, tally: Make, tally_by_examiner: Make, paired: list[Any]
) -> None:
    role = tally(paired, group_by="role", group="resident")
    got = row(table(role, tally_by_examiner(paired, group="resident")), "lr_positive")
    count = {cell: sum(knee.cell == cell for knee in paired) for cell in CELLS}
    alone = sum(1 / count[cell] for cell in ("tp", "fp")) - 1 / (count["tp"] + count["fn"])
    alone -= 1 / (count["fp"] + count["tn"])
    half_width = float(t_quantile(0.95, 4)) * np.sqrt(got["deff"] * alone)
    assert np.log(got["ci_high"] / got["estimate"]) == pytest.approx(half_width)


def test_a_role_with_one_examiner_speaks_of_that_one_only(
    table: Make, tally: Make, tally_by_examiner: Make, knee: Make, paired: list[Any]
) -> None:
    mine = [knee(one.participant, one.cell, "E1") for one in paired]
    clusters = tally_by_examiner(mine, group="resident")
    got = row(table(tally(mine, group_by="role", group="resident"), clusters), "sensitivity")
    assert (got["generalises_to"], got["interval"], got["flag"]) == (
        "these_examiners",
        "wilson_clustered",
        "few_examiners",
    )


def test_a_role_with_few_examiners_says_why_it_is_wide(
    table: Make, tally: Make, tally_by_examiner: Make, knee: Make, paired: list[Any]
) -> None:
    for examiners, flag in ((4, "few_examiners"), (5, None)):
        seen = [knee(one.participant, one.cell, one.examiner % examiners) for one in paired]
        role = tally(seen, group_by="role", group="resident")
        got = row(table(role, tally_by_examiner(seen, group="resident")), "sensitivity")
        assert (got["generalises_to"], got["flag"]) == ("new_examiners", flag)


def test_an_empty_side_is_the_only_thing_said(table: Make, single: Make) -> None:
    got = row(table(single(1, 0, 0, 0)), "lr_positive")
    assert got["note"] == "No verified «noun» without the condition."


def test_a_role_without_examiner_sums_speaks_of_these_examiners(table: Make, tally: Make, paired: list[Any]) -> None:
    got = row(table(tally(paired, group_by="role", group="resident")), "sensitivity")
    assert got["generalises_to"] == "these_examiners"


def test_only_settled_intended_pairs_have_accuracy(table: Make, single: Make) -> None:
    tallies = pl.concat(
        [
            single(20, 5, 5, 30),
            single(20, 5, 5, 30, condition="patellofemoral_pain", maneuver="patellar_grind"),
            single(20, 5, 5, 30, condition="none", maneuver="ober"),
            single(20, 5, 5, 30, condition="pcl_tear", maneuver="lachman"),
        ]
    )
    assert table(tallies)["condition"].unique().to_list() == ["acl_tear"]


def test_a_clinical_reference_is_labelled(table: Make, single: Make) -> None:
    keys = {
        "reference": {
            "accepted": {"patellofemoral_pain": ["follow_up"]},
            "clinical_case_definition": {"patellofemoral_pain": "Pain round the kneecap on stairs for six weeks."},
        },
        "windows": {"patellofemoral_pain": [0, 90]},
    }
    accuracy = table(single(20, 5, 5, 30, condition="patellofemoral_pain", maneuver="patellar_grind"), **keys)
    assert set(accuracy["reference"]) == {"clinical_diagnosis"}
    assert accuracy["note"].str.contains("clinical diagnosis").all()


def test_predictive_values_at_a_set_prevalence(table: Make, single: Make) -> None:
    tallies = pl.concat([single(231, 32, 27, 54), single(30, 8, 9, 40, condition="pcl_tear", maneuver="posterior_sag")])
    accuracy = table(tallies, predictive_values={"prevalence": {"acl_tear": 0.25}})
    ppv = row(accuracy, "ppv", condition="acl_tear")
    assert (ppv["interval"], ppv["flag"], ppv["n"], ppv["events"]) == ("logit_delta", "set_prevalence", 344, 263)
    assert ppv["note"] == "At a prevalence of 25 %, set in the protocol."
    assert row(accuracy, "ppv", condition="pcl_tear")["interval"] == "wilson"
    assert accuracy.height == 18


def test_a_set_prevalence_needs_people_on_both_sides(table: Make, single: Make) -> None:
    accuracy = table(single(20, 4, 5, 5), predictive_values={"prevalence": 0.1})
    assert row(accuracy, "ppv")["display"] == "counts_only"


def test_clustered_predictive_value_at_a_set_prevalence(table: Make, tally: Make, paired: list[Any]) -> None:
    accuracy = table(tally(paired), predictive_values={"prevalence": 0.2})
    ppv, ratio = row(accuracy, "ppv"), row(accuracy, "lr_positive")
    assert ppv["interval"] == "logit_delta_clustered"
    for name in ("ci_low", "ci_high"):
        odds = 0.25 * ratio[name]
        assert ppv[name] == pytest.approx(odds / (1 + odds))


def test_a_set_prevalence_with_a_zero_cell(table: Make, single: Make) -> None:
    plain = row(table(single(20, 0, 5, 30), predictive_values={"prevalence": 0.2}), "ppv")
    assert (plain["estimate"], plain["flag"]) == (None, "zero_cell")
    halved = {"predictive_values": {"prevalence": 0.2}, "intervals": {"zero_cells": "half"}}
    assert row(table(single(20, 0, 5, 30), **halved), "ppv")["estimate"] == pytest.approx(0.9244, abs=1e-4)


@pytest.mark.parametrize("method", ["wilson", "clopper_pearson", "jeffreys", "agresti_coull"])
def test_the_protocol_names_the_interval(
    method: str, table: Make, tally: Make, single: Make, paired: list[Any]
) -> None:
    keys = {"intervals": {"proportion": method}}
    assert row(table(single(20, 5, 5, 30), **keys), "sensitivity")["interval"] == method
    assert row(table(tally(paired), **keys), "sensitivity")["interval"] == f"{method}_clustered"


def test_row_order_and_company_change_nothing(table: Make, single: Make, tally: Make, paired: list[Any]) -> None:
    rows = [
        tally(paired),
        single(9, 0, 3, 14, maneuver="pivot_shift"),
        single(0, 0, 0, 0, maneuver="lever_sign"),
        single(20, 5, 5, 30, condition="pcl_tear", maneuver="posterior_sag"),
    ]
    together = table(pl.concat(rows))
    assert together.equals(table(pl.concat(rows[::-1])))
    alone = table(rows[0])
    assert alone.equals(together.filter(maneuver="lachman"))


def test_no_rows_in_no_rows_out(table: Make, single: Make) -> None:
    accuracy = table(single(1, 1, 1, 1).clear())
    assert accuracy.height == 0


def test_post_test_follows_the_ratio(table: Make, single: Make, contract: Contract) -> None:
    accuracy = table(single(231, 32, 27, 54))
    after = post_test_table(accuracy, load_protocol(None, contract))
    assert after["pre_test"].unique().sort().to_list() == [0.1, 0.3, 0.5, 0.7]
    assert after.height == 8
    got = after.filter(result="positive", pre_test=0.3).row(0, named=True)
    ratio = row(accuracy, "lr_positive")
    assert got["lr"] == ratio["estimate"]
    for name, limit in (("post_test", "estimate"), ("ci_low", "ci_low"), ("ci_high", "ci_high")):
        odds = 3 / 7 * ratio[limit]
        assert got[name] == pytest.approx(odds / (1 + odds))
    assert got["n"] == 344


def test_post_test_of_an_infinite_ratio_keeps_its_lower_limit(table: Make, single: Make, protocol: Protocol) -> None:
    after = post_test_table(table(single(20, 0, 5, 30)), protocol)
    got = after.filter(result="positive", pre_test=0.3).row(0, named=True)
    assert (got["lr"], got["post_test"], got["ci_high"], got["flag"]) == (None, None, None, "zero_cell")
    assert 0.3 < got["ci_low"] < 1


def test_post_test_is_overall_only(table: Make, single: Make, protocol: Protocol) -> None:
    tallies = pl.concat([single(20, 5, 5, 30), single(20, 5, 5, 30, group_by="sex", group="female")])
    assert post_test_table(table(tallies), protocol).height == 8


def test_where_no_pair_has_an_accepted_standard_no_row_is_given(
    single: Make, contract: Contract, protocol: Protocol
) -> None:
    nothing = replace(protocol, reference=replace(protocol.reference, accepted={}))
    assert accuracy_table(single(8, 2, 2, 8), None, contract, nothing).is_empty()


def test_more_remarks_than_can_be_told_apart_are_refused() -> None:
    here = np.array([True, False])
    said = [Remark("", f"{number}.", here if number == 62 else ~here) for number in range(63)]
    assert in_words(said)[1][0] == "62."
    with pytest.raises(ValueError, match="at most 63 remarks"):
        in_words([*said, said[0]])

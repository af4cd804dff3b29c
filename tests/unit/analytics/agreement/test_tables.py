"""The public agreement table from a frame of pairs."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import fleiss_kappa

from examtally.analytics.agreement.statistics import CALL_STATISTICS, GRADE_STATISTICS
from examtally.analytics.agreement.tables import agreement_table
from examtally.analytics.diagnostic_accuracy.proportions import wilson
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol, load_protocol
from examtally.contracts.results import result_codes

SCHEMA = {
    "maneuver": pl.String, "group_by": pl.String, "group": pl.String, "participant": pl.Int64, "unit": pl.Int64,
    "exam_a": pl.Int64, "exam_b": pl.Int64, "a": pl.Int64, "b": pl.Int64, "grade_a": pl.Int64, "grade_b": pl.Int64,
}  # fmt: skip
LIMITED = ("cohen_kappa", "pabak", "gwet_ac1", "fleiss_kappa", "krippendorff_alpha")


def pairs_of(cells: tuple[int, int, int, int], maneuver: str = "lachman", **more: object) -> pl.DataFrame:
    """One participant a pair: both positive, only a, only b, neither, as often as `cells` says."""
    n = sum(cells)
    columns = {
        "maneuver": maneuver, "group_by": "overall", "group": "all", "participant": np.arange(n), "unit": np.arange(n),
        "exam_a": 2 * np.arange(n), "exam_b": 2 * np.arange(n) + 1, "a": np.repeat([1, 1, 0, 0], cells),
        "b": np.repeat([1, 0, 1, 0], cells), "grade_a": None, "grade_b": None,
    }  # fmt: skip
    return pl.DataFrame(columns | more, schema_overrides=SCHEMA)


def seen_by_several(units: int = 60, raters: int = 3, seed: int = 1) -> tuple[pl.DataFrame, np.ndarray]:
    """Every unit examined by all raters, all pairs of them; the calls as (raters, units)."""
    rng = np.random.default_rng(seed)
    truth = rng.random(units) < 0.4
    calls = (truth ^ (rng.random((raters, units)) < 0.15)).astype(int)
    frames = [
        pairs_of((units, 0, 0, 0)).with_columns(
            participant=pl.col("unit") // 2, exam_a=pl.col("unit") * raters + i, exam_b=pl.col("unit") * raters + j,
            a=pl.Series(calls[i]), b=pl.Series(calls[j]),
        )
        for i in range(raters) for j in range(i + 1, raters)
    ]  # fmt: skip
    return pl.concat(frames), calls


def row(table: pl.DataFrame, statistic: str, maneuver: str = "lachman", group: str = "all") -> dict[str, object]:
    return table.filter(statistic=statistic, maneuver=maneuver, group=group).row(0, named=True)


def test_published_table(contract: Contract, protocol: Protocol) -> None:
    # Feinstein & Cicchetti, J Clin Epidemiol 1990;43:543–549
    table = agreement_table(pairs_of((40, 9, 6, 45)), contract, protocol)
    for statistic, value in {
        "observed_agreement": 0.85, "positive_agreement": 80 / 95, "negative_agreement": 90 / 105,
        "cohen_kappa": 0.699519230769, "pabak": 0.7, "gwet_ac1": 0.700748129676, "prevalence_index": -0.05,
        "bias_index": 0.03,
    }.items():  # fmt: skip
        found = row(table, statistic)
        assert found["estimate"] == pytest.approx(value, abs=1e-10)
        assert found["ci_low"] < found["estimate"] < found["ci_high"]
        assert (found["pairs"], found["participants"]) == (100, 100)
    kappa = row(table, "cohen_kappa")
    assert (kappa["ci_high"] - kappa["ci_low"]) / 2 / 1.984 == pytest.approx(0.0714, abs=0.003)


def test_three_examiners_make_three_ratings(contract: Contract, protocol: Protocol) -> None:
    frame, calls = seen_by_several()
    table = agreement_table(frame, contract, protocol)
    counts = np.stack([(calls == 0).sum(axis=0), (calls == 1).sum(axis=0)], axis=1)
    assert row(table, "fleiss_kappa")["estimate"] == pytest.approx(fleiss_kappa(counts), abs=1e-12)
    # with as many ratings of every unit, alpha is Fleiss' kappa with a correction for few: Krippendorff 2004, p. 249
    kappa = fleiss_kappa(counts)
    assert row(table, "krippendorff_alpha")["estimate"] == pytest.approx(kappa + (1 - kappa) / calls.size, abs=1e-12)
    assert row(table, "observed_agreement")["pairs"] == 180
    assert row(table, "observed_agreement")["participants"] == 30


def test_grades_give_linear_weights(contract: Contract, protocol: Protocol) -> None:
    rng = np.random.default_rng(5)
    first = rng.integers(0, 4, 80)
    second = np.clip(first + rng.integers(-1, 2, 80), 0, 3)
    graded = pairs_of((20, 20, 20, 20), grade_a=first, grade_b=second).with_columns(
        grade_b=pl.when(pl.col("unit") < 70).then("grade_b")
    )
    found = row(agreement_table(graded, contract, protocol), "weighted_kappa")
    assert found["estimate"] == pytest.approx(cohen_kappa_score(first[:70], second[:70], weights="linear"), abs=1e-12)
    assert (found["pairs"], found["participants"]) == (70, 70)
    assert found["ci_low"] < found["estimate"] < found["ci_high"]


def test_limits_are_those_of_a_jackknife_by_participant(contract: Contract, protocol: Protocol) -> None:
    frame, _ = seen_by_several()
    people = frame["participant"].unique().to_list()
    kappas = []
    for person in people:
        rest = frame.filter(pl.col("participant") != person)
        kappas.append(row(agreement_table(rest, contract, protocol), "cohen_kappa")["estimate"])
    se = np.sqrt((len(people) - 1) / len(people) * np.sum((kappas - np.mean(kappas)) ** 2))
    found = row(agreement_table(frame, contract, protocol), "cohen_kappa")
    half = 2.0452296 * se / (1 - found["estimate"] ** 2)  # t on 29
    assert np.arctanh([found["ci_low"], found["ci_high"]]) == pytest.approx(
        np.arctanh(found["estimate"]) + np.array([-half, half]), abs=1e-6
    )


def test_everybody_twice_under_the_same_name_changes_no_limit(contract: Contract, protocol: Protocol) -> None:
    once = pairs_of((30, 6, 9, 35))
    again = once.with_columns(pl.col("unit") + 1000, pl.col("exam_a") + 1000, pl.col("exam_b") + 1000)
    columns = ["statistic", "estimate", "ci_low", "ci_high", "participants"]
    there, twice = (
        agreement_table(frame, contract, protocol)
        .filter(pl.col("statistic") != "krippendorff_alpha", maneuver="lachman")
        .select(columns)
        for frame in (once, pl.concat([once, again]))
    )
    assert_frame_equal(there, twice, abs_tol=1e-12)


def test_limits_widen_with_the_level(contract: Contract, protocol: Protocol) -> None:
    frame, _ = seen_by_several()
    narrow = agreement_table(frame, contract, load_protocol({"intervals": {"level": 0.8}}, contract))
    wide = agreement_table(frame, contract, protocol)
    both = wide.join(narrow, on=["maneuver", "statistic"], suffix="_80").filter(pl.col("ci_low").is_not_null())
    assert both.height == len(CALL_STATISTICS)
    assert both.select((pl.col("ci_low") < pl.col("ci_low_80")).all()).item()
    assert both.select((pl.col("ci_high") > pl.col("ci_high_80")).all()).item()


def test_row_order_and_other_groups_change_nothing(contract: Contract, protocol: Protocol) -> None:
    frame, _ = seen_by_several()
    other = pairs_of((3, 2, 1, 9), "pivot_shift", group_by="role", group="student")
    alone = agreement_table(frame, contract, protocol).filter(maneuver="lachman")
    mixed = pl.concat([other, frame]).sample(fraction=1, shuffle=True, seed=4)
    beside = agreement_table(mixed, contract, protocol)
    assert_frame_equal(alone, beside.filter(maneuver="lachman"), check_exact=True)
    assert beside.filter(maneuver="pivot_shift", group="student").height == len(CALL_STATISTICS) + bool(
        contract.catalogue.maneuvers["pivot_shift"].grades
    )


def test_swapping_the_examiners_turns_the_bias_and_nothing_else(contract: Contract, protocol: Protocol) -> None:
    frame = pairs_of((30, 6, 9, 35))
    swapped = frame.rename({"a": "b", "b": "a", "exam_a": "exam_b", "exam_b": "exam_a"})
    there, back = (agreement_table(f, contract, protocol).filter(maneuver="lachman") for f in (frame, swapped))
    rest = pl.col("statistic") != "bias_index"
    assert_frame_equal(there.filter(rest), back.filter(rest), abs_tol=1e-12)
    assert row(back, "bias_index")["estimate"] == -row(there, "bias_index")["estimate"]


def test_full_agreement_keeps_a_lower_limit(contract: Contract, protocol: Protocol) -> None:
    table = agreement_table(pairs_of((12, 0, 0, 28)), contract, protocol)
    low = float(wilson(40, 40).low)
    assert (row(table, "observed_agreement")["ci_low"], row(table, "observed_agreement")["ci_high"]) == (low, 1.0)
    assert row(table, "positive_agreement")["ci_low"] == pytest.approx(float(wilson(12, 12).low))
    chance = 0.3**2 + 0.7**2
    assert row(table, "cohen_kappa")["ci_low"] == pytest.approx((low - chance) / (1 - chance))
    assert row(table, "pabak")["ci_low"] == pytest.approx(2 * low - 1)
    for statistic in LIMITED:
        found = row(table, statistic)
        assert (found["estimate"], found["ci_high"]) == (1.0, 1.0)
        assert -1 <= found["ci_low"] < 1


def test_one_result_only(contract: Contract, protocol: Protocol) -> None:
    table = agreement_table(pairs_of((0, 0, 0, 30)), contract, protocol)
    for statistic in ("cohen_kappa", "fleiss_kappa", "krippendorff_alpha", "positive_agreement"):
        found = row(table, statistic)
        assert (found["estimate"], found["ci_low"], found["flag"]) == (None, None, "not_estimable")
        assert found["note"]
    assert row(table, "gwet_ac1")["estimate"] == 1.0
    assert row(table, "gwet_ac1")["ci_low"] < 0.95
    assert row(table, "prevalence_index")["ci_high"] is None


def test_never_agreeing(contract: Contract, protocol: Protocol) -> None:
    table = agreement_table(pairs_of((0, 10, 12, 0)), contract, protocol)
    observed = row(table, "observed_agreement")
    assert (observed["estimate"], observed["ci_low"]) == (0.0, 0.0)
    assert observed["ci_high"] == pytest.approx(float(wilson(0, 22).high))
    values = table.select("estimate", "ci_low", "ci_high").unpivot()["value"].drop_nulls()
    assert values.is_finite().all()
    assert values.is_between(-1, 1).all()


@pytest.mark.parametrize("cells", [(1, 0, 0, 0), (0, 1, 0, 0), (1, 1, 0, 0), (1, 0, 0, 1), (2, 1, 1, 2)])
def test_very_few_pairs_never_give_what_is_not_finite(
    cells: tuple[int, int, int, int], contract: Contract, protocol: Protocol
) -> None:
    table = agreement_table(pairs_of(cells), contract, protocol)
    values = table.select("estimate", "ci_low", "ci_high").unpivot()["value"].drop_nulls()
    assert values.is_finite().all()
    lachman = table.filter(maneuver="lachman")
    assert set(lachman["flag"]) <= {"too_few", "not_estimable"}
    without = lachman.filter(pl.col("estimate").is_null() | pl.col("ci_low").is_null())
    assert without["note"].null_count() == 0


def test_one_person_in_many_pairs_has_no_limits(contract: Contract, protocol: Protocol) -> None:
    table = agreement_table(pairs_of((8, 2, 2, 8), participant=1), contract, protocol)
    observed = row(table, "observed_agreement")
    assert (observed["estimate"], observed["ci_low"], observed["flag"]) == (0.8, None, "too_few")
    assert observed["note"]


@pytest.mark.parametrize("call", [None, 2])
def test_a_call_that_is_none_is_refused(call: int | None, contract: Contract, protocol: Protocol) -> None:
    with pytest.raises(ValueError, match="must be 0 or 1"):
        agreement_table(pairs_of((3, 1, 1, 3), b=pl.Series([call] * 8, dtype=pl.Int64)), contract, protocol)


def test_every_judged_maneuver_stands_there_overall_and_none_done_for_safety(
    contract: Contract, protocol: Protocol
) -> None:
    table = agreement_table(pairs_of((0, 0, 0, 0)), contract, protocol)
    maneuvers = contract.catalogue.maneuvers.values()
    assert set(table["maneuver"]) == {m.code for m in maneuvers if m.purpose != "safety"}
    assert table.select("group_by", "group").unique().rows() == [("overall", "all")]
    assert table["estimate"].null_count() == table.height
    assert set(table["pairs"]) == {0}
    assert table["note"].null_count() == 0
    graded = set(table.filter(pl.col("statistic").is_in(GRADE_STATISTICS))["maneuver"])
    assert graded == {m.code for m in maneuvers if m.grades and m.purpose != "safety"}
    assert set(table["flag"]) <= result_codes()["flag"].keys()
    assert set(table["status"]) == {"exploratory"}

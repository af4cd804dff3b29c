"""From the cases of learners to the public table."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from examtally.analytics.learning_curves.tables import learning_table
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import load_protocol
from examtally.contracts.results import conform

SCHEMA = {
    **dict.fromkeys(("condition", "maneuver", "examiner_id", "outcome", "period"), pl.String),
    **{"place": pl.Int64, "participant": pl.Int64, "positive": pl.Boolean, "failed": pl.Boolean},
}


def _cases(
    number: int, p_failure: float = 0.15, examiner: str = "E1", seed: int = 1, share: float = 0.4
) -> pl.DataFrame:
    draw = np.random.default_rng(seed)
    place = np.sort(draw.integers(1, 12, number))
    return pl.DataFrame(
        {
            "condition": ["acl_tear"] * number,
            "maneuver": ["lachman"] * number,
            "examiner_id": [examiner] * number,
            "outcome": ["reference"] * number,
            "period": [f"P{period:03}" for period in place],
            "place": place,
            "participant": np.arange(number),
            "positive": draw.random(number) < share,
            "failed": draw.random(number) < p_failure,
        },
        schema=SCHEMA,
    )


def _table(
    cases: pl.DataFrame,
    contract: Contract,
    supervisors: pl.DataFrame | None = None,
    right: tuple[float, float] | None = None,
    **learning: Any,
) -> pl.DataFrame:
    protocol = load_protocol({"learning": learning}, contract)
    known = None
    if right is not None:
        known = pl.DataFrame({"condition": "acl_tear", "positive": [True, False], "right": right})
    others = NOBODY if supervisors is None else supervisors
    return conform("learning", learning_table(cases, others, protocol, known))


def _sides(answers: tuple[float, float], seed: int, cases: tuple[int, int] = (60, 60)) -> pl.DataFrame:
    """Cases of a learner who writes "positive" with these chances in knees with and without the condition."""
    draw = np.random.default_rng(seed)
    there = np.repeat([True, False], cases)
    says = draw.random(there.size) < np.repeat(answers, cases)
    place = np.arange(there.size) % 12 + 1
    return pl.DataFrame(
        {
            **{"condition": "acl_tear", "maneuver": "lachman", "examiner_id": "E1", "outcome": "reference"},
            "period": [f"P{period:03}" for period in place],
            "place": place,
            "participant": np.arange(there.size),
            "positive": there,
            "failed": says != there,
        },
        schema=SCHEMA,
    )


def _supervisors(missed: int, false: int, people: int = 50) -> pl.DataFrame:
    """Supervisors who fail so many of 50 knees with the condition and of 50 without."""
    key = {"condition": "acl_tear", "maneuver": "lachman", "outcome": "reference"}
    rows = [
        {**key, "positive": there, "cases": 50, "failures": failures, "participants": people}
        for there, failures in ((True, missed), (False, false))
    ]
    return pl.DataFrame(rows)


NOBODY = _supervisors(0, 0).clear()


def _last(table: pl.DataFrame) -> str:
    return str(table.sort("period", "sequence")["standing"][-1])


def test_positives_and_negatives_have_a_chart_each(contract: Contract) -> None:
    table = _table(_cases(40), contract)
    assert table.height == 40
    assert set(table.select("among", "outcome_side").iter_rows()) == {("positive", "present"), ("negative", "absent")}


def test_sequence_period_and_failures_run_along(contract: Contract) -> None:
    cases = _cases(40).filter("positive")
    table = _table(cases, contract)
    assert table["sequence"].to_list() == list(range(1, cases.height + 1))
    assert table["period"].to_list() == cases["period"].to_list()
    assert table["failures"][-1] == cases["failed"].sum()
    until = {row[0]: row[1] for row in table.select("period", "failures").iter_rows()}
    newest = max(period for period in until if period <= "P005")
    assert until[newest] == cases.filter(pl.col("place") <= 5)["failed"].sum()
    assert table["participants"].unique().to_list() == [cases.height]


def test_limits_and_their_chances_stand_in_every_row(contract: Contract) -> None:
    row = _table(_cases(30), contract, planned=100, p_acceptable=0.10, p_unacceptable=0.25).row(0, named=True)
    assert row["limit"] == pytest.approx(4.38, abs=0.005)
    assert row["false_signal"] == pytest.approx(0.05, abs=0.001)
    assert row["true_signal"] == pytest.approx(0.944, abs=0.001)
    assert (row["planned"], row["p_acceptable"], row["p_unacceptable"]) == (100, 0.10, 0.25)


def test_reaching_the_target_begins_the_monitoring_chart_with_its_own_limit(contract: Contract) -> None:
    table = _table(_cases(60, p_failure=0.0, share=1.0), contract)
    assert table["state"].to_list() == ["learning"] * 14 + ["reached"] + ["keeping"] * 45
    assert table["rule"].to_list() == ["lc_cusum"] * 15 + ["cusum"] * 45
    assert table.group_by("rule").agg(pl.col("limit").n_unique())["limit"].to_list() == [1, 1]
    assert table["score"][-1] == 0
    assert set(table["standing"]) == {"too_few"}, "one side alone never reaches it"


def test_both_sides_reach_and_one_that_leaves_takes_it_away(contract: Contract) -> None:
    good = _sides((1.0, 0.0), 1)
    assert _last(_table(good, contract)) == "reached"
    lost = good.filter("positive").head(20).with_columns(period=pl.lit("P020"), place=pl.lit(20, pl.Int64), failed=True)
    assert _last(_table(pl.concat([good, lost]), contract)) in ("left", "not_yet")


def test_ten_cases_on_either_side_are_needed(contract: Contract) -> None:
    assert _last(_table(_sides((1.0, 0.0), 1, (9, 200)), contract, planned=60)) == "too_few"
    assert _last(_table(_sides((1.0, 0.0), 1, (200, 9)), contract, planned=60)) == "too_few"


@pytest.mark.parametrize(
    "supervisors", [None, (25, 5), *(pytest.param(one, marks=pytest.mark.study) for one in ((5, 5), (5, 25), (20, 15)))]
)
@pytest.mark.parametrize("answers", [(0.0, 0.0), (1.0, 1.0), (0.3, 0.3), (0.5, 0.5), (0.8, 0.8)])
def test_nobody_reaches_the_target_without_looking(
    contract: Contract, answers: tuple[float, float], supervisors: tuple[int, int] | None
) -> None:
    """Always negative, always positive, and guesses at a fixed rate: at most 5 in 100 series, by chance 9 of 120."""
    is_constant = answers[0] in (0.0, 1.0)
    learners = [
        _sides(answers, seed).with_columns(examiner_id=pl.lit(f"E{seed}")) for seed in range(4 if is_constant else 120)
    ]
    other = None if supervisors is None else _supervisors(*supervisors)
    table = _table(pl.concat(learners), contract, other, orders=11)
    assert table["examiner_id"].n_unique() == len(learners)
    assert table.filter(standing="reached")["examiner_id"].n_unique() <= (0 if is_constant else 9)


def test_one_learner_does_not_begin_where_another_ended(contract: Contract) -> None:
    good = _sides((1.0, 0.0), 1).with_columns(examiner_id=pl.lit("E1"))
    new = good.filter("positive").with_columns(examiner_id=pl.lit("E2"))
    table = _table(pl.concat([good, new]), contract)
    assert "reached" in table.filter(examiner_id="E1")["standing"]
    assert set(table.filter(examiner_id="E2")["standing"]) == {"too_few"}


def test_a_good_learner_does_reach_it(contract: Contract) -> None:
    reached = sum(
        _last(_table(_sides((0.85, 0.15), seed), contract, orders=11)) in ("reached", "left") for seed in range(20)
    )
    assert reached >= 12


def test_the_target_is_what_supervisors_reach_less_the_margin(contract: Contract) -> None:
    table = _table(_sides((0.9, 0.1), 1), contract, _supervisors(10, 4))
    levels = dict(table.group_by("outcome_side").agg(pl.col("p_acceptable").first()).iter_rows())
    assert levels == {"present": 0.25, "absent": 0.15}, "20 and 8 % with 5 points more, in steps of five"
    few = _table(_sides((0.9, 0.1), 1), contract, _supervisors(10, 4, people=9))
    assert set(few["p_acceptable"]) == {0.2}


def test_a_target_that_a_guess_could_pass_has_no_limit(contract: Contract) -> None:
    table = _table(_sides((0.9, 0.1), 1), contract, _supervisors(22, 10))
    assert set(table["standing"]) == {"no_limit"}
    assert "guess" in table["note"][0]


def test_what_the_reference_errs_is_in_the_protocols_levels_and_already_in_those_of_supervisors(
    contract: Contract,
) -> None:
    table = _table(_sides((0.9, 0.1), 1), contract, right=(0.84, 0.95))
    levels = {row[0]: row[1:] for row in table.select("outcome_side", "p_acceptable", "p_unacceptable").unique().rows()}
    assert levels["present"] == pytest.approx((0.84 * 0.2 + 0.16 * 0.8, 0.84 * 0.4 + 0.16 * 0.8))
    assert levels["absent"] == pytest.approx((0.95 * 0.2 + 0.05 * 0.8, 0.95 * 0.4 + 0.05 * 0.8))
    own = _table(_sides((0.9, 0.1), 1), contract, _supervisors(10, 4), right=(0.84, 0.95))
    assert dict(own.group_by("outcome_side").agg(pl.col("p_acceptable").first()).iter_rows()) == {
        "present": 0.25,
        "absent": 0.15,
    }
    agreed = _sides((0.9, 0.1), 1).with_columns(outcome=pl.lit("supervisor"))
    assert set(_table(agreed, contract, right=(0.84, 0.95))["p_acceptable"]) == {0.2}


def test_a_reference_that_is_mostly_wrong_leaves_no_room(contract: Contract) -> None:
    table = _table(_sides((0.9, 0.1), 1), contract, right=(0.2, 0.99))
    assert set(table["standing"]) == {"no_limit"}
    assert "errors of the reference" in table["note"][0]


def test_a_planned_number_that_is_too_small_says_so_in_every_row(contract: Contract) -> None:
    table = _table(_cases(30), contract, planned=20)
    assert table["limit"].null_count() == table.height
    assert set(table["state"]) == {"followed"}
    assert set(table["flag"]) == {"no_limit"}
    assert set(table["standing"]) == {"no_limit", "too_few"} or set(table["standing"]) == {"no_limit"}
    assert table["note"][0].startswith("20 planned cases give a true signal a chance of 52% at a false one of 5%")
    assert table["score"].max() > 0
    near = _table(_cases(30), contract, planned=2000, p_acceptable=0.5, p_unacceptable=0.501)
    assert set(near["flag"]) == {"no_limit"}


def test_few_people_are_flagged(contract: Contract) -> None:
    assert set(_table(_cases(9, share=1.0), contract)["flag"]) == {"too_few"}
    assert _table(_cases(12, share=1.0), contract)["flag"].null_count() == 12


def test_the_order_of_rows_and_other_learners_change_nothing(contract: Contract) -> None:
    one, other = _cases(50), _cases(70, examiner="E0", seed=4)
    alone = _table(one, contract)
    mixed = _table(pl.concat([other, one]).sample(fraction=1, shuffle=True, seed=3), contract)
    assert mixed.filter(examiner_id="E1").equals(alone)


def test_one_class_only_and_nobody_at_all(contract: Contract) -> None:
    assert set(_table(_cases(30, share=0.0), contract)["among"]) == {"negative"}
    assert _table(_cases(0), contract).is_empty()


def test_the_seed_of_the_protocol_decides_the_orders(contract: Contract) -> None:
    tables = [_table(_cases(50), contract, seed=seed, orders=3)["score"].to_list() for seed in (1, 1, 2)]
    assert tables[0] == tables[1] != tables[2]

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


def _table(cases: pl.DataFrame, contract: Contract, **learning: Any) -> pl.DataFrame:
    return conform("learning", learning_table(cases, load_protocol({"learning": learning}, contract)))


def test_a_chart_for_all_and_for_positives_and_negatives_where_enough_people_stand_behind(contract: Contract) -> None:
    table = _table(_cases(40), contract)
    counts = dict(table.group_by("among").len().iter_rows())
    assert counts["all"] == 40
    assert counts["positive"] + counts["negative"] == 40
    few = _table(_cases(40, share=0.1), contract)
    assert set(few["among"]) == {"all", "negative"}


def test_sequence_period_and_failures_run_along(contract: Contract) -> None:
    cases = _cases(40)
    table = _table(cases, contract).filter(among="all")
    assert table["sequence"].to_list() == list(range(1, 41))
    assert table["period"].to_list() == cases["period"].to_list()
    assert table["failures"][-1] == cases["failed"].sum()
    until = {row[0]: row[1] for row in table.select("period", "failures").iter_rows()}
    assert until["P005"] == cases.filter(pl.col("place") <= 5)["failed"].sum()
    assert table["participants"].unique().to_list() == [40]


def test_limits_and_their_chances_stand_in_every_row(contract: Contract) -> None:
    row = _table(_cases(30), contract, planned=100, p_acceptable=0.10, p_unacceptable=0.25).row(0, named=True)
    assert row["limit"] == pytest.approx(4.38, abs=0.005)
    assert row["false_signal"] == pytest.approx(0.05, abs=0.001)
    assert row["true_signal"] == pytest.approx(0.944, abs=0.001)
    assert (row["planned"], row["p_acceptable"], row["p_unacceptable"]) == (100, 0.10, 0.25)


def test_reaching_the_level_begins_the_monitoring_chart_with_its_own_limit(contract: Contract) -> None:
    table = _table(_cases(60, p_failure=0.0), contract).filter(among="all")
    assert table["state"].to_list() == ["learning"] * 14 + ["reached"] + ["keeping"] * 45
    assert table["rule"].to_list() == ["lc_cusum"] * 15 + ["cusum"] * 45
    assert table.group_by("rule").agg(pl.col("limit").n_unique())["limit"].to_list() == [1, 1]
    assert table["score"][-1] == 0
    later = _cases(20, 1.0).with_columns(period=pl.lit("P020"), place=pl.lit(20, pl.Int64))
    lost = _table(pl.concat([_cases(20, 0.0), later]), contract)
    assert lost.filter(state="left", among="all")["sequence"].to_list() == [26]


def test_a_planned_number_that_is_too_small_says_so_in_every_row(contract: Contract) -> None:
    table = _table(_cases(30), contract, planned=20)
    assert table["limit"].null_count() == table.height
    assert set(table["state"]) == {"followed"}
    assert set(table["flag"]) == {"no_limit"}
    assert table["note"][0].startswith("20 planned cases give a true signal a chance of 52% at a false one of 5%")
    assert table["score"].max() > 0
    near = _table(_cases(30), contract, planned=2000, p_acceptable=0.5, p_unacceptable=0.501)
    assert set(near["flag"]) == {"no_limit"}
    assert "cannot be worked out" in near["note"][0]


def test_few_people_are_flagged(contract: Contract) -> None:
    assert set(_table(_cases(9), contract)["flag"]) == {"too_few"}
    assert _table(_cases(12), contract)["flag"].null_count() == 12


def test_the_order_of_rows_and_other_learners_change_nothing(contract: Contract) -> None:
    one, other = _cases(50), _cases(70, examiner="E0", seed=4)
    alone = _table(one, contract)
    mixed = _table(pl.concat([other, one]).sample(fraction=1, shuffle=True, seed=3), contract)
    assert mixed.filter(examiner_id="E1").equals(alone)


def test_one_class_only_and_nobody_at_all(contract: Contract) -> None:
    assert set(_table(_cases(30, share=0.0), contract)["among"]) == {"all", "negative"}
    assert _table(_cases(0), contract).is_empty()


def test_the_seed_of_the_protocol_decides_the_orders(contract: Contract) -> None:
    tables = [_table(_cases(50), contract, seed=seed, orders=3)["score"].to_list() for seed in (1, 1, 2)]
    assert tables[0] == tables[1] != tables[2]

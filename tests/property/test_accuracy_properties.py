"""What holds for every 2x2 table and every way of dealing knees to people."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from examtally.analytics.diagnostic_accuracy import likelihood_ratios as ratios
from examtally.analytics.diagnostic_accuracy import proportions
from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import load_protocol

CELLS = ("tp", "fp", "fn", "tn")
LEVELS = (0.5001, 0.8, 0.95, 0.999)
Make = Callable[..., Any]

counts = st.integers(0, 300)
knees_of_people = st.lists(st.tuples(st.integers(0, 25), st.sampled_from(CELLS)), max_size=80)
choices = st.fixed_dictionaries(
    {
        "proportion": st.sampled_from(["wilson", "clopper_pearson", "jeffreys"]),
        "lr": st.sampled_from(["score", "log_delta"]),
        "zero_cells": st.sampled_from(["none", "half"]),
        "level": st.sampled_from([0.8, 0.95]),
    }
)


@pytest.mark.parametrize("method", proportions.METHODS)
@given(events=counts, others=counts, thinning=st.floats(0.01, 1))
def test_proportion_interval_holds_the_estimate_and_widens_with_level(
    method: str, events: int, others: int, thinning: float
) -> None:
    n = (events + others) * thinning
    if n == 0:
        return
    p = events / (events + others)
    limits = [proportions.METHODS[method](p * n, n, level) for level in LEVELS]
    lows, highs = [float(one.low) for one in limits], [float(one.high) for one in limits]
    assert lows == sorted(lows, reverse=True)
    assert highs == sorted(highs)
    assert 0 <= lows[-1] <= highs[-1] <= 1
    if method != "jeffreys" or n > 1:  # the median of the posterior is not its share of events
        assert lows[-1] <= p + 1e-12
        assert p - 1e-12 <= highs[-1]


@given(events=counts, others=counts)
def test_wilson_mirrors(events: int, others: int) -> None:
    if events + others == 0:
        return
    one, other = (proportions.wilson(x, events + others) for x in (events, others))
    assert float(one.low) == pytest.approx(1 - float(other.high), abs=1e-12)


@given(x1=counts, y1=counts, x2=counts, y2=counts)
def test_score_interval_holds_the_ratio_and_widens_with_level(x1: int, y1: int, x2: int, y2: int) -> None:
    limits = [ratios.score_interval(x1, x1 + y1, x2, x2 + y2, level) for level in LEVELS]
    if min(x1 + y1, x2 + y2, x1 + x2) == 0:
        assert all(np.isnan(one.low) and np.isnan(one.high) for one in limits)
        return
    lows, highs = [float(one.low) for one in limits], [float(one.high) for one in limits]
    assert lows == sorted(lows, reverse=True)
    assert highs == sorted(highs)
    ratio = x1 / (x1 + y1) / (x2 / (x2 + y2)) if x2 else np.inf
    assert lows[0] <= ratio * (1 + 1e-9)
    assert ratio * (1 - 1e-9) <= highs[0]


@given(dealt=knees_of_people, choice=choices)
def test_every_figure_is_finite_or_null_with_a_reason(
    dealt: list[tuple[int, str]], choice: dict[str, Any], knee: Make, tally: Make, contract: Contract
) -> None:
    protocol = load_protocol({"intervals": choice}, contract)
    accuracy = accuracy_table(tally([knee(*one) for one in dealt]), None, contract, protocol)
    assert accuracy.height == 9
    for row in accuracy.iter_rows(named=True):
        estimate, low, high = row["estimate"], row["ci_low"], row["ci_high"]
        if None in (estimate, low, high):
            assert row["flag"]
            assert row["note"]
        assert (low is None and high is None) == (row["interval"] == "none")
        if not row["interval"].startswith("jeffreys"):  # a posterior need not hold the share of events
            assert None in (low, estimate) or low <= estimate * (1 + 1e-9)
            assert None in (high, estimate) or estimate <= high * (1 + 1e-9) + 1e-12
        if row["measure"] in ("sensitivity", "specificity") and row["deff"] is not None:
            assert row["deff"] >= 1
            assert row["n_effective"] <= row["n"]


@given(dealt=knees_of_people, data=st.data())
def test_order_and_names_of_people_do_not_matter(
    dealt: list[tuple[int, str]], data: st.DataObject, knee: Make, tally: Make, contract: Contract
) -> None:
    protocol = load_protocol(None, contract)
    shuffled = data.draw(st.permutations(dealt))
    one, other = (
        accuracy_table(tally([knee(name(person), cell) for person, cell in some]), None, contract, protocol)
        for name, some in ((int, dealt), (lambda person: f"Q{31 * person}", shuffled))
    )
    assert one.equals(other)


@given(dealt=knees_of_people)
def test_mirrored_labels_mirror_the_figures(
    dealt: list[tuple[int, str]], knee: Make, tally: Make, contract: Contract
) -> None:
    """Call every sound knee torn and every negative positive: sensitivity and specificity change places."""
    mirror = {"tp": "tn", "fp": "fn", "fn": "fp", "tn": "tp"}
    protocol = load_protocol(None, contract)
    tallies = [
        tally([knee(who, name) for who, name in some]) for some in (dealt, [(who, mirror[cell]) for who, cell in dealt])
    ]
    straight, mirrored = (accuracy_table(one, None, contract, protocol) for one in tallies)
    columns = ["estimate", "ci_low", "ci_high", "n", "events", "participants", "deff", "n_effective", "interval"]
    for measure, other in (("sensitivity", "specificity"), ("ppv", "npv"), ("accuracy", "accuracy")):
        one, two = (
            frame.filter(measure=name).select(columns) for frame, name in ((straight, measure), (mirrored, other))
        )
        for name in columns:
            left, right = one[name].item(), two[name].item()
            assert left == (pytest.approx(right, abs=1e-12) if isinstance(right, float) else right)


@given(dealt=st.lists(knees_of_people, min_size=1, max_size=6))
def test_rows_do_not_lean_on_each_other(
    dealt: list[list[tuple[int, str]]], knee: Make, tally: Make, contract: Contract
) -> None:
    protocol = load_protocol(None, contract)
    rows = [tally([knee(*one) for one in some], group_by="site", group=f"S{index}") for index, some in enumerate(dealt)]
    together = accuracy_table(pl.concat(rows), None, contract, protocol)
    apart = pl.concat([accuracy_table(one, None, contract, protocol) for one in rows])
    assert together.equals(apart)

"""Draws of hidden statuses: a plain sampler agrees, the truth is recovered, and plain data give plain figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hidden_status import PRIORS, Hidden, hide
from plain_sampler import plain_figures
from statsmodels.stats.proportion import proportion_confint

from examtally.analytics.bias_adjusted.draws import StatusDraws, composite, pack
from examtally.analytics.bias_adjusted.figures import Cells, measures, summary
from examtally.analytics.bias_adjusted.model import ConditionModel, fit, likelihood

DRAWS, SEED = 1600, 7
MEASURES = ("sensitivity", "specificity")


def fitted(hidden: Hidden, *, delta: tuple[float, float] = (0.0, 0.01), seed: int = SEED) -> ConditionModel:
    priors = PRIORS if hidden.knees.modalities else ()
    return fit(hidden.knees, priors, DRAWS, seed, *delta)


def figures(model: ConditionModel, maneuver: str = "a") -> dict[str, np.ndarray]:
    positive = (model.knees.frame[f"result_{maneuver}"] == "positive").to_numpy()
    present, absent = model.draws.sums(np.array([positive, ~positive]))
    return dict(measures(Cells(tp=present[0], fp=absent[0], fn=present[1], tn=absent[1])))


@pytest.fixture(scope="module")
def hidden() -> Hidden:
    return hide(900, 3)


@pytest.fixture(scope="module")
def model(hidden: Hidden) -> ConditionModel:
    return fitted(hidden)


def test_an_independent_plain_sampler_gives_the_same_means_and_limits(hidden: Hidden, model: ConditionModel) -> None:
    plain = plain_figures(likelihood(hidden.knees, PRIORS), hidden.knees, "a", turns=30_000, delta=(0.0, 0.01), seed=1)
    for measure in MEASURES:
        ours = figures(model)[measure]
        assert ours.mean() == pytest.approx(plain[measure].mean(), abs=0.01)
        assert np.quantile(ours, [0.025, 0.975]) == pytest.approx(np.quantile(plain[measure], [0.025, 0.975]), abs=0.02)


def test_the_truth_lies_inside_and_the_chains_have_met(hidden: Hidden, model: ConditionModel) -> None:
    assert model.r_hat <= 1.05
    for measure, truth in zip(MEASURES, hidden.sample_shares("a"), strict=True):
        found = summary(figures(model)[measure], 0.95)
        assert found.low < truth < found.high
    assert model.draws.chance.mean() == pytest.approx(hidden.present.mean(), abs=0.05)


def test_a_perfect_reference_for_everybody_gives_the_plain_figures() -> None:
    hidden = hide(400, 5, is_perfect=True)
    model = fitted(hidden)
    assert (model.draws.chance == hidden.present).all()
    sides = {"sensitivity": (True, hidden.present), "specificity": (False, ~hidden.present)}
    positive = (hidden.knees.frame["result_a"] == "positive").to_numpy()
    for measure, (right, side) in sides.items():
        found = summary(figures(model)[measure], 0.95)
        events, n = int((positive[side] == right).sum()), int(side.sum())
        assert found.estimate == pytest.approx(events / n, abs=0.005)
        assert (found.low, found.high) == pytest.approx(proportion_confint(events, n, method="jeffreys"), abs=0.015)


def test_everybody_four_times_leaves_the_figures_and_halves_the_limits(model: ConditionModel) -> None:
    often = fitted(hide(900, 3, copies=4))
    for measure in MEASURES:
        once, again = (summary(figures(each)[measure], 0.95) for each in (model, often))
        assert again.estimate == pytest.approx(once.estimate, abs=0.03)
        assert again.high - again.low == pytest.approx((once.high - once.low) / 2, rel=0.25)


def test_the_same_seed_gives_the_same_draws_and_another_one_the_same_figures(
    hidden: Hidden, model: ConditionModel
) -> None:
    again, other = fitted(hidden), fitted(hidden, seed=8)
    assert np.array_equal(again.draws.statuses, model.draws.statuses)
    assert not np.array_equal(other.draws.statuses, model.draws.statuses)
    assert np.median(figures(other)["sensitivity"]) == pytest.approx(np.median(figures(model)["sensitivity"]), abs=0.01)


def test_delta_shifts_knees_never_imaged_and_no_others(hidden: Hidden, model: ConditionModel) -> None:
    lower = fitted(hidden, delta=(-1.0, 0.01))
    unimaged = ~hidden.knees.is_verified
    ratio = [each.draws.chance[unimaged].mean() for each in (lower, model)]
    assert ratio[0] < 0.7 * ratio[1]
    assert lower.draws.chance[~unimaged] == pytest.approx(model.draws.chance[~unimaged], abs=1e-12)
    assert np.median(figures(lower)["sensitivity"]) > np.median(figures(model)["sensitivity"]) + 0.02


def test_a_knee_operated_on_without_a_reading_is_known_and_tells_nothing(hidden: Hidden) -> None:
    knees = hidden.knees
    operated = np.flatnonzero(knees.is_known & knees.is_read)[:5]
    reads = knees.reads.copy()
    reads[operated] = np.nan
    without = replace(knees, reads=reads)
    assert not without.is_telling[operated].any()
    assert without.is_known[operated].all()
    assert likelihood(without, PRIORS).design.shape[0] == likelihood(knees, PRIORS).design.shape[0] - 5


def test_a_composite_is_present_where_any_part_is() -> None:
    statuses = np.random.default_rng(2).random((2, 6, 20)) < 0.5
    rows = np.arange(6)
    parts = [StatusDraws(rows, rows, pack(each), each.mean(axis=1), 20, SEED) for each in statuses]
    both = composite(parts, rows[2:], rows[2:])
    assert np.array_equal(both.statuses_of(0, 20) > 0, statuses.any(axis=0)[2:])
    assert both.chance == pytest.approx(statuses.any(axis=0)[2:].mean(axis=1))
    with pytest.raises(ValueError, match="do not hold all knees"):
        composite(parts, np.array([7]), np.array([7]))

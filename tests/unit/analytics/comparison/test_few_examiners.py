"""Few examiners dealt in every way, and groups at one case mix, against plain counting and another program."""

from __future__ import annotations

import math
from itertools import combinations
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from scipy.special import expit

from examtally.analytics.comparison.case_mix import balance, standardise_groups
from examtally.analytics.comparison.examiner_clusters import contrast_examiners
from examtally.analytics.comparison.examiner_permutation import permute_examiners
from examtally.analytics.comparison.group_methods import _at_one_case_mix, _design_effect
from examtally.analytics.comparison.knees import Compared

EVENTS = (np.array([9.0, 14.0, 10.0, 8.0]), np.array([6.0, 11.0, 3.0, 7.0, 9.0]))
KNEES = (np.array([10.0, 16.0, 12.0, 11.0]), np.array([10.0, 19.0, 8.0, 12.0, 14.0]))


def _p_by_hand(apart: float) -> float:
    """Every way of dealing, each by the comparison of examiners itself."""
    e, n = np.concatenate(EVENTS), np.concatenate(KNEES)
    e = e - apart * n * (np.arange(9) < 4)
    found = []
    for way in combinations(range(9), 4):
        first = np.isin(np.arange(9), way)
        found.append(abs(contrast_examiners((e[first], e[~first]), (n[first], n[~first]), 0.0).statistic))
    return float((np.array(found) >= found[0] - 1e-9).mean())


def test_every_way_of_dealing_is_counted_and_the_interval_is_what_is_not_rejected() -> None:
    made = permute_examiners(EVENTS, KNEES, 0.95)
    assert made is not None
    assert (made.ways, made.least) == (126, 1 / 126)
    assert made.p_value == pytest.approx(_p_by_hand(0.0))
    for edge, outward in ((made.low, -1), (made.high, 1)):
        assert _p_by_hand(edge - outward * 0.001) > 0.05
        assert _p_by_hand(edge + outward * 0.001) <= 0.05


def test_three_and_three_can_exclude_nothing() -> None:
    made = permute_examiners((np.full(3, 10.0), np.zeros(3)), (np.full(3, 10.0), np.full(3, 10.0)), 0.95)
    assert made is not None
    assert (made.ways, made.least) == (20, 0.1)
    assert math.isnan(made.low)
    assert math.isnan(made.high)


def test_ten_examiners_or_one_a_group_are_not_dealt() -> None:
    five = np.full(5, 8.0)
    assert permute_examiners((five, five), (five + 2, five + 2), 0.95) is None
    assert permute_examiners((five[:1], five), (five[:1] + 2, five + 2), 0.95) is None
    # an examiner without a knee is no examiner
    nobody = np.array([8.0, 8.0, 0.0])
    made = permute_examiners((nobody, five), (np.array([9.0, 11.0, 0.0]), five + 2), 0.95)
    assert made is not None
    assert made.ways == math.comb(7, 2)


def _clinic() -> tuple[np.ndarray, np.ndarray, np.ndarray, pl.DataFrame]:
    draw = np.random.default_rng(7)
    examiner = np.repeat(np.arange(12), 30)
    is_first = examiner < 6
    severe = draw.random(examiner.size) < np.where(is_first, 0.7, 0.3)
    is_event = draw.random(examiner.size) < expit(0.4 + 1.2 * severe + 0.5 * draw.standard_normal(12)[examiner])
    words = pl.Series(["severe" if one else "mild" for one in severe], dtype=pl.Enum(["mild", "severe"]))
    return is_event, is_first, examiner.astype(float), pl.DataFrame({"severity": words})


def test_one_case_mix_against_another_program() -> None:
    is_event, is_first, examiner, mix = _clinic()
    made = standardise_groups(is_event, is_first, examiner, mix)
    assert made is not None
    severe = (mix["severity"] == "severe").to_numpy()
    commonest = max((severe, ~severe), key=lambda hit: hit.sum())
    x = np.column_stack([np.ones(severe.size), is_first, ~commonest]).astype(float)
    model = sm.GEE(is_event.astype(float), x, examiner, family=sm.families.Binomial())
    errors = []
    for kind in ("robust", "bias_reduced"):
        fitted = model.fit(cov_type=kind)
        sides = [np.column_stack([x[:, 0], np.full(severe.size, one), x[:, 2]]) for one in (1, 0)]
        chances = [expit(side @ fitted.params) for side in sides]
        slopes = [(p * (1 - p)) @ side / p.size for p, side in zip(chances, sides, strict=True)]
        slope = slopes[0] - slopes[1]
        errors.append(math.sqrt(slope @ fitted.cov_params() @ slope))
    estimates = [chance.mean() for chance in chances]
    assert (made.estimate_a, made.estimate_b) == pytest.approx(estimates, abs=1e-6)
    assert errors[0] < math.sqrt(made.variance) < errors[1]
    assert (made.df, made.taken) == (10.0, ("severity",))
    crude = is_event[is_first].mean() - is_event[~is_first].mean()
    assert abs(made.value) < abs(crude)


def test_at_one_case_mix_it_is_never_surer_than_independent_knees() -> None:
    """Examiners who by chance find alike in each severity; the error is that of the logistic model alone."""
    is_first, severe, is_event = (np.tile(one, 8) for one in np.meshgrid([True, False], [True, False], range(4)))
    is_first, severe, is_event = is_first.ravel(), severe.ravel(), is_event.ravel() > severe.ravel()
    examiner = np.repeat(np.arange(4.0), 32) + 4 * is_first
    words = pl.Series(["severe" if one else "mild" for one in severe], dtype=pl.Enum(["mild", "severe"]))
    made = standardise_groups(is_event, is_first, examiner, pl.DataFrame({"severity": words}))
    assert made is not None
    x = np.column_stack([np.ones(severe.size), is_first, severe]).astype(float)
    fitted = sm.GLM(is_event.astype(float), x, family=sm.families.Binomial()).fit()
    slopes = []
    for one in (1.0, 0.0):
        set_to = np.column_stack([x[:, 0], np.full(severe.size, one), x[:, 2]])
        chance = fitted.predict(set_to)
        slopes.append((chance * (1 - chance)) @ set_to / severe.size)
    slope = slopes[0] - slopes[1]
    assert made.variance == pytest.approx(slope @ fitted.cov_params() @ slope)


def test_a_case_mix_that_separates_outcomes_is_passed_over() -> None:
    is_event, is_first, examiner, mix = _clinic()
    told = pl.Series(["yes" if one else "no" for one in is_event], dtype=pl.Enum(["yes", "no"]))
    made = standardise_groups(is_event, is_first, examiner, pl.DataFrame({"told": told, "severity": mix["severity"]}))
    alone = standardise_groups(is_event, is_first, examiner, mix)
    assert made is not None
    assert alone is not None
    assert (made.taken, made.left_out) == (("severity",), ("told",))
    assert made.value == pytest.approx(alone.value)


def test_separated_outcomes_and_few_events_have_no_answer() -> None:
    is_event, is_first, examiner, mix = _clinic()
    assert standardise_groups(is_first, is_first, examiner, mix) is None
    assert standardise_groups(is_event, is_first, np.where(is_first, 1.0, 2.0), mix) is None
    rare = np.arange(is_event.size) < 4
    assert standardise_groups(rare, is_first, examiner, mix) is None


def test_balance_by_hand() -> None:
    is_first = np.array([True, True, True, True, False, False])
    mix = pl.DataFrame({"sex": pl.Series(["f", "f", "f", "m", "m", None], dtype=pl.Enum(["f", "m"]))})
    rows = {row.level: row for row in balance(is_first, mix)}
    assert (rows["f"].share_a, rows["f"].share_b) == (0.75, 0.0)
    assert rows["f"].standardised == pytest.approx(0.75 / math.sqrt(0.75 * 0.25 / 2))
    assert (rows["unknown"].share_a, rows["unknown"].share_b) == (0.0, 0.5)


def test_what_one_maneuver_has_over_another_by_examiner_with_the_variance_of_bonett_and_price() -> None:
    """Ten knees with the condition: four found by the first alone, one by the second, three by both, two by none."""
    first = np.repeat([True, False, True, False], [4, 1, 3, 2])
    second = np.repeat([False, True, True, False], [4, 1, 3, 2])
    examiner = np.array(["a", "b"] * 5)
    extra = np.r_[np.ones(10, bool), False, False]  # a knee without the condition, and one never verified
    compared = SimpleNamespace(
        verified=np.r_[np.ones(11, bool), False],
        present=extra,
        sides=tuple(SimpleNamespace(positive=np.r_[side, True, True]) for side in (first, second)),
        taken=np.arange(12),
        knees=SimpleNamespace(frame=pl.DataFrame({"examiner": [*examiner, "a", "a"]})),
    )
    found, knees, variance = Compared.examiner_differences(compared, "sensitivity", np.ones(12, bool))
    apart = first.astype(int) - second
    assert found.tolist() == [apart[examiner == who].sum() for who in ("a", "b")]
    assert knees.tolist() == [5, 5]
    one, other = (4 + 1) / 12, (1 + 1) / 12
    assert variance == pytest.approx((one + other - (one - other) ** 2) / 12)


def test_a_design_effect_is_the_variance_over_that_of_independent_knees() -> None:
    sides = tuple(SimpleNamespace(inside=inside) for inside in (np.arange(100) < 40, np.arange(100) >= 40))
    made = SimpleNamespace(estimate_a=0.8, estimate_b=0.6, variance=0.01)
    effect = _design_effect(made, SimpleNamespace(sides=sides), np.ones(100, bool))
    assert effect == pytest.approx(0.01 / (0.8 * 0.2 / 40 + 0.6 * 0.4 / 60))


@pytest.mark.parametrize("measure", ["sensitivity", "specificity"])
def test_at_one_case_mix_shares_are_of_right_findings(measure: str) -> None:
    rng = np.random.default_rng(6)
    first, positive = np.arange(400) < 200, rng.random(400) < np.repeat([0.8, 0.6], 200)
    sides = tuple(SimpleNamespace(positive=positive, inside=inside) for inside in (first, ~first))
    examiner = pl.DataFrame({"examiner": rng.integers(0, 5, 400) + 5 * first})
    pair = SimpleNamespace(measure=measure, level=0.95, knees=SimpleNamespace(frame=examiner))
    every = np.ones(400, bool)
    mix = pl.DataFrame({"severity": pl.Series(rng.choice(["mild", "severe"], 400), dtype=pl.Enum(["mild", "severe"]))})
    found = _at_one_case_mix(pair, SimpleNamespace(sides=sides, taken=every), every, mix, {})
    right = positive if measure == "sensitivity" else ~positive
    assert (found["estimate_a"], found["estimate_b"]) == pytest.approx(
        (right[:200].mean(), right[200:].mean()), abs=0.02
    )

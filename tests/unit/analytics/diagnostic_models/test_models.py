"""Diagnostic models: no leak between parts, penalties as a library has them, honest values, and refusals in words."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl
import pytest
from sklearn.metrics import roc_auc_score

from examtally.analytics import logistic
from examtally.analytics.diagnostic_models import crossfit
from examtally.analytics.diagnostic_models.crossfit import CrossFit, check_parts, deal, out_of_fold
from examtally.analytics.diagnostic_models.influence import added_value, estimate, score_influence
from examtally.analytics.diagnostic_models.models import coefficients
from examtally.analytics.diagnostic_models.optimism import optimism, weighted_areas
from examtally.analytics.logistic import fit_each, fit_logistic, fit_without, information_at

Forecaster = Callable[[np.ndarray, np.ndarray, np.ndarray, np.ndarray], np.ndarray]
HOW = CrossFit(seed=5)


def clinic(n: int = 300, columns: int = 6, seed: int = 1, strength: float = 1.0) -> tuple[np.ndarray, ...]:
    """Design, outcome and participant; a fifth of the people bring two knees that resemble each other."""
    rng = np.random.default_rng(seed)
    people = n * 5 // 6
    who = np.r_[np.arange(people), np.arange(n - people)]
    x = rng.normal(size=(people, columns))[who] + 0.5 * rng.normal(size=(n, columns))
    x[:, 0] = x[:, 0] > 0
    chance = 1 / (1 + np.exp(-strength * (2 * x[:, 0] - 1 + 0.5 * x[:, 1])))
    return x, (rng.random(n) < chance).astype(float), who


def leaks(forecast: Forecaster) -> bool:
    """Whether the forecasts of a part change when the outcomes of its people are changed: they must not know them.

    The outcomes of the part are turned among its own rows, so that nothing else changes.
    """
    x, y, who = clinic()
    part = deal(who, y, 5, np.random.default_rng(9))
    before = forecast(x, y, who, part)
    for number in range(5):
        inside = np.flatnonzero(part == number)
        turned = y.copy()
        turned[inside] = turned[inside][::-1]
        if not np.array_equal(forecast(x, turned, who, part)[inside], before[inside]):
            return True
    return False


def ours(x: np.ndarray, y: np.ndarray, who: np.ndarray, part: np.ndarray) -> np.ndarray:
    return out_of_fold(x, y, who, CrossFit(penalties=(1.0,), seed=5), part=part).log_odds


def fitted_on_everybody(x: np.ndarray, y: np.ndarray, _who: np.ndarray, _part: np.ndarray) -> np.ndarray:
    return fit_logistic(x, y).log_odds(x)


def told_the_outcome_of_the_other_knee(x: np.ndarray, y: np.ndarray, who: np.ndarray, part: np.ndarray) -> np.ndarray:
    """A column made from outcomes: how many of the person's knees have the condition."""
    return ours(np.column_stack([x, np.bincount(who, weights=y)[who]]), y, who, part)


def columns_chosen_on_everybody(x: np.ndarray, y: np.ndarray, who: np.ndarray, part: np.ndarray) -> np.ndarray:
    best = np.argsort([-abs(np.corrcoef(column, y)[0, 1]) for column in x.T[2:]])[:1] + 2
    return ours(x[:, best], y, who, part)


def test_no_forecast_knows_the_outcomes_of_its_own_part() -> None:
    assert not leaks(ours)


@pytest.mark.parametrize(
    "leaky", [fitted_on_everybody, told_the_outcome_of_the_other_knee, columns_chosen_on_everybody]
)
def test_a_planted_leak_is_caught(leaky: Forecaster) -> None:
    assert leaks(leaky)


def test_the_penalty_of_a_part_is_chosen_without_it() -> None:
    """Inner parts are dealt by outcome, so the outcomes of a part may not reach the penalty of its own fit."""
    x, y, who = clinic()
    part = deal(who, y, 5, np.random.default_rng(9))
    before = out_of_fold(x, y, who, HOW, part=part)
    turned = y.copy()
    first = np.flatnonzero(part == 0)
    turned[first] = 1 - turned[first]
    assert out_of_fold(x, turned, who, HOW, part=part).penalties[0] == before.penalties[0]


def test_knees_of_one_person_stand_in_one_part() -> None:
    x, y, who = clinic()
    for seed in range(20):
        part = deal(who, y, 5, np.random.default_rng(seed))
        assert all(np.unique(part[who == person]).size == 1 for person in np.unique(who))
        assert np.ptp([y[part == number].mean() for number in range(5)]) < 0.2
    check_parts(out_of_fold(x, y, who, HOW).part, who)


def test_parts_that_split_a_person_are_refused() -> None:
    x, y, who = clinic()
    with pytest.raises(ValueError, match="deal people, not knees"):
        out_of_fold(x, y, who, HOW, part=np.arange(y.size) % 4)


def test_a_penalty_means_the_same_for_any_unit() -> None:
    x, y, _ = clinic()
    weights = np.random.default_rng(3).integers(0, 4, size=y.size).astype(float)
    found = fit_logistic(x, y, weights, penalty=3.0)
    other = fit_logistic(x * 7 - 2, y, weights, penalty=3.0)
    assert found.converged
    assert 7 * other.coefficients[1:] == pytest.approx(found.coefficients[1:], abs=1e-7)
    assert other.log_odds(x * 7 - 2) == pytest.approx(found.log_odds(x), abs=1e-7)


def test_the_fit_is_where_the_penalised_score_is_zero() -> None:
    """A weight is so many equal rows; the gradient of the penalised likelihood, written out, vanishes at the fit."""
    x, y, _ = clinic()
    weights = np.random.default_rng(3).integers(0, 4, size=y.size).astype(float)
    found = fit_logistic(x, y, weights, penalty=3.0)
    rows = np.repeat(x, weights.astype(int), axis=0)
    left = np.repeat(y, weights.astype(int)) - found.probability(rows)
    assert left.sum() == pytest.approx(0, abs=1e-6)
    assert rows.T @ left == pytest.approx(3.0 * rows.var(axis=0) * found.coefficients[1:], abs=1e-5)


def test_a_fit_begun_elsewhere_ends_where_it_ends_anyway() -> None:
    x, y, who = clinic(6_000)
    x = np.column_stack([x, np.full(y.size, 7.0)])
    penalty, start = crossfit.choose_penalty(x, y, who, HOW, np.random.default_rng(2))
    found = fit_logistic(x, y, penalty=penalty).coefficients
    assert start == pytest.approx(found, abs=0.2)
    assert fit_logistic(x, y, penalty=penalty, start=start).coefficients == pytest.approx(found, abs=1e-7)
    assert crossfit.choose_penalty(x[:900], y[:900], who[:900], HOW, np.random.default_rng(2))[1] is None


def test_the_search_for_a_penalty_ends_early_where_a_whole_one_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    fits: list[int] = []
    fit = crossfit.fit_without
    monkeypatch.setattr(crossfit, "fit_without", lambda *given, **how: (fits.append(1), fit(*given, **how))[1])
    how = CrossFit(penalties=(0.3, 1, 3, 10, 30, 100, 300, 1000), seed=5)
    cohorts = [clinic(240, seed=seed, strength=(0.0, 0.3, 1.0, 3.0)[seed % 4]) for seed in range(12)]

    def chosen() -> list[float]:
        return [crossfit.choose_penalty(*cohort, how, np.random.default_rng(1))[0] for cohort in cohorts]

    early, few = chosen(), len(fits)
    monkeypatch.setattr(crossfit, "_WORSE", len(how.penalties))
    assert early == chosen()
    assert len(set(early)) > 2
    assert few < 0.9 * (len(fits) - few)


def test_the_information_is_learned_on_the_way(monkeypatch: pytest.MonkeyPatch) -> None:
    x, y, _ = clinic(600, columns=8)
    known = np.column_stack([np.ones(y.size), x])
    weights = np.random.default_rng(4).multinomial(y.size, np.full(y.size, 1 / y.size), size=20).astype(float)
    (whole, _), steps = fit_without(known, y, weights[:1] > 0, penalty=1.0), []
    near = information_at(whole, known)
    learn = logistic._learn
    monkeypatch.setattr(logistic, "_learn", lambda *given: (steps.append(1), learn(*given)))
    fit_each(weights, weights * y, known, precision=1.0, start=whole, information=near)
    assert len(steps) <= 9


def test_counted_rows_give_the_fit_of_every_knee() -> None:
    x, y, _ = clinic()
    x = np.round(x[:, :2])
    rows, place = np.unique(x, axis=0, return_inverse=True)
    trials, events = np.bincount(place.ravel()).astype(float), np.bincount(place.ravel(), weights=y)
    design = np.column_stack([np.ones(len(rows)), rows])
    counted = fit_each(trials, events, design, precision=np.r_[0.0, x.var(axis=0)])
    assert counted == pytest.approx(fit_logistic(x, y).coefficients, abs=1e-7)


def test_a_constant_column_does_nothing_and_one_class_is_refused() -> None:
    x, y, who = clinic(60)
    with_constant = np.column_stack([x, np.full(60, 7.0)])
    found = fit_logistic(with_constant, y)
    assert found.coefficients[-1] == 0
    assert found.coefficients[:-1] == pytest.approx(fit_logistic(x, y).coefficients)
    told = coefficients(found, with_constant, y, who)
    assert (told[-1].ratio, told[-1].ci_low) == (1.0, None)
    with pytest.raises(ValueError, match="both values"):
        fit_logistic(x, np.ones(60))


def test_limits_of_coefficients_widen_where_people_come_twice() -> None:
    x, y, _ = clinic(200)
    found = fit_logistic(x, y)
    alone = coefficients(found, x, y, np.arange(200))
    doubled = fit_logistic(np.repeat(x, 2, axis=0), np.repeat(y, 2), penalty=2.0)
    twice = coefficients(doubled, np.repeat(x, 2, axis=0), np.repeat(y, 2), np.repeat(np.arange(200), 2))
    assert [one.ratio for one in twice] == pytest.approx([one.ratio for one in alone], rel=0.05)
    assert twice[1].ci_high == pytest.approx(alone[1].ci_high, rel=0.05)


def test_area_and_its_error_are_those_of_delong() -> None:
    """Four with the condition and five without; variance by DeLong's formula written out."""
    p = np.array([0.9, 0.8, 0.4, 0.5, 0.3, 0.4, 0.2, 0.6, 0.1])
    y = np.array([1, 1, 1, 1, 0, 0, 0, 0, 0])
    area, influence = score_influence("auc", p, y)
    wins = (p[y == 1][:, None] > p[y == 0]) + 0.5 * (p[y == 1][:, None] == p[y == 0])
    variance = wins.mean(axis=1).var(ddof=1) / 4 + wins.mean(axis=0).var(ddof=1) / 5
    assert area == pytest.approx(roc_auc_score(y, p))
    populations = np.array([(influence[y == k] ** 2).sum() * m / (m - 1) for k, m in ((1, 4), (0, 5))])
    assert populations.sum() == pytest.approx(variance)
    assert weighted_areas(p, y.astype(float), np.ones((1, 9))) == pytest.approx([area])


def test_added_value_of_nothing_is_nothing_and_of_the_truth_is_all() -> None:
    x, y, who = clinic(200)
    before = out_of_fold(x, y, who, HOW).probability
    for one in added_value(before, before, y, who):
        assert (one.difference.value, one.difference.ci_low, one.difference.ci_high) == (0, 0, 0)
    log_score, brier, auc = added_value(before, np.where(y > 0, 0.99, 0.01), y, who)
    assert auc.after == 1
    assert log_score.difference.ci_high < 0  # type: ignore[operator]
    assert brier.difference.ci_high < 0  # type: ignore[operator]


def test_two_knees_that_say_the_same_count_as_one_person() -> None:
    x, y, _ = clinic(200)
    p = 1 / (1 + np.exp(-x[:, 1]))
    one = added_value(p, p**2, y, np.arange(200))
    two = added_value(np.repeat(p, 2), np.repeat(p, 2) ** 2, np.repeat(y, 2), np.repeat(np.arange(200), 2))
    for single, double in zip(one, two, strict=True):
        assert double.difference.ci_low == pytest.approx(single.difference.ci_low)


@pytest.mark.parametrize("outcome", [np.ones(30), np.zeros(30)])
def test_one_class_has_no_area(outcome: np.ndarray) -> None:
    found = added_value(np.full(30, 0.5), np.full(30, 0.6), outcome, np.arange(30))
    assert found[2].difference.value is None
    assert estimate(0.4, np.zeros(3), [1, 1, 1]).ci_low is None


def test_noise_that_looks_good_on_its_own_knees_is_brought_back() -> None:
    """150 knees, 25 columns of noise, the weakest penalty: apparently far above one half, corrected about it."""
    found = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        x, y, who = rng.normal(size=(150, 25)), rng.random(150) < 0.4, rng.integers(130, size=150)
        found.append(optimism(x, y, who, penalty=0.3, draws=60, seed=seed).auc)
    assert np.mean([one.apparent for one in found]) > 0.68
    assert abs(np.mean([one.corrected for one in found]) - 0.5) < 0.03
    assert np.mean([one.harrell for one in found]) > 0.5


def test_a_strong_signal_is_corrected_alike_in_both_ways() -> None:
    x, y, who = clinic(600, 5, strength=2.0)
    found = optimism(x, y, who, penalty=1.0, draws=60)
    for one in (found.auc, found.log_score):
        assert one.corrected == pytest.approx(one.harrell, abs=0.01)
        assert one.apparent - one.optimism == pytest.approx(one.corrected)
    assert found.auc.corrected < found.auc.apparent
    assert found.log_score.corrected > found.log_score.apparent


def test_forecasts_are_the_same_whatever_the_order_of_columns_and_twice_the_same_at_all() -> None:
    x, y, who = clinic()
    first, again = out_of_fold(x, y, who, HOW), out_of_fold(x, y, who, HOW)
    assert np.array_equal(first.log_odds, again.log_odds)
    assert np.allclose(out_of_fold(x[:, ::-1], y, who, HOW).log_odds, first.log_odds, atol=0.051)
    assert pl.Series(first.log_odds / 0.05).round(6).round(0).equals(pl.Series(first.log_odds / 0.05).round(6))


def test_drawing_ends_once_many_knees_have_told_the_optimism() -> None:
    few, many = (optimism(*clinic(n, columns=2), penalty=1.0, draws=60, seed=3) for n in (300, 20_000))
    assert few.draws == 60
    assert many.draws == 20
    whole = optimism(*clinic(20_000, columns=2), penalty=1.0, draws=20, seed=3)
    assert many == whole


def test_of_many_knees_those_of_some_people_tell_the_penalty(monkeypatch: pytest.MonkeyPatch) -> None:
    rows: list[int] = []

    def counted(design: np.ndarray, *given: np.ndarray, **named: float) -> tuple[np.ndarray, np.ndarray]:
        rows.append(len(design))
        return fit_without(design, *given, **named)

    monkeypatch.setattr(crossfit, "fit_without", counted)
    for n in (3_000, 12_000):
        x, y, who = clinic(n, columns=2)
        penalty, _ = crossfit.choose_penalty(x, y, who, HOW, np.random.default_rng(2))
        assert penalty in HOW.penalties
    assert rows[0] == 3_000
    assert rows[-1] == pytest.approx(3_000, rel=0.05)


@pytest.mark.parametrize("n", [300, 6_000])
def test_models_made_without_a_part_are_those_fitted_to_the_others(n: int) -> None:
    x, y, who = clinic(n, columns=8)
    seen = deal(who, y, 5, np.random.default_rng(1)) != np.arange(5)[:, None]
    known = np.column_stack([np.ones(n), x])
    whole, without = fit_without(known, y, seen, penalty=3.0)
    assert whole == pytest.approx(fit_logistic(x, y, penalty=3.0).coefficients, abs=1e-5)
    for part, found in zip(seen, without, strict=True):
        assert found == pytest.approx(fit_logistic(x[part], y[part], penalty=3.0).coefficients, abs=1e-5)


def test_a_share_as_outcome_is_rows_of_both_kinds() -> None:
    x, _, _ = clinic(400, columns=8)
    share = np.random.default_rng(2).random(400)
    seen = np.random.default_rng(3).random((2, 400)) < 0.7
    _, without = fit_without(np.column_stack([np.ones(400), x]), share, seen, penalty=1.0)
    for part, found in zip(seen, without, strict=True):
        twice, outcome = np.vstack([x[part]] * 2), np.repeat([1.0, 0.0], part.sum())
        model = fit_logistic(twice, outcome, np.r_[share[part], 1 - share[part]], penalty=1.0)
        assert found == pytest.approx(model.coefficients, abs=1e-5)


@pytest.mark.parametrize("scale", [0.1, 1.0, 30.0])
def test_an_information_that_is_far_off_costs_steps_but_no_digit(scale: float) -> None:
    x, y, _ = clinic(500, columns=8)
    known = np.column_stack([np.ones(500), x])
    weights = np.random.default_rng(4).poisson(1.0, (6, 500)).astype(float)
    alone = fit_each(weights, weights * y, known, precision=1.0)
    near = scale * information_at(np.zeros(9), known)
    assert fit_each(weights, weights * y, known, precision=1.0, information=near) == pytest.approx(alone, abs=1e-5)

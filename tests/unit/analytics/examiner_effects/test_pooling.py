"""Pooling of examiners: quadrature by brute force, direction of shrinkage, invariances and degenerate data."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy.special import expit, logit
from scipy.stats import binom, norm

from examtally.analytics.examiner_effects.binomial import BinomialLikelihood
from examtally.analytics.examiner_effects.figures import Pooled, mixture_quantile, shortest_interval
from examtally.analytics.examiner_effects.fit import pool_counts, pool_estimates
from examtally.analytics.examiner_effects.hyper import Hyper, Prior, log_prior
from examtally.analytics.examiner_effects.normal import NormalLikelihood
from examtally.analytics.examiner_effects.pair import PooledPair
from examtally.analytics.examiner_effects.standardised import _standardised, case_mix_logits, habits, verified_logits
from examtally.analytics.verification_bias.knees import ConditionKnees
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import Protocol

TP = np.array([12, 9, 14, 11, 15, 10, 13, 8])
FN = 15 - TP
TN = np.array([50, 41, 55, 48, 52, 58, 39, 47])
FP = 60 - TN


def brute(hyper: Hyper, tp: int, fp: int, fn: int, tn: int) -> tuple[float, float, float]:
    """Log likelihood of one examiner and mean sensitivity and specificity given the hyperparameters, on a fine grid."""
    axis = np.linspace(-8, 8, 801)
    one, two = np.meshgrid(axis, axis, indexing="ij")
    a, c, d = (float(part[0, 0]) for part in hyper.factor)
    se, sp = expit(hyper.mean[0, 0] + a * one), expit(hyper.mean[0, 1] + c * one + d * two)
    mass = binom.pmf(tp, tp + fn, se) * binom.pmf(tn, tn + fp, sp) * np.exp(-0.5 * (one**2 + two**2)) / (2 * np.pi)
    total = mass.sum()
    return (
        float(np.log(total * (axis[1] - axis[0]) ** 2)),
        float((mass * se).sum() / total),
        float((mass * sp).sum() / total),
    )


@pytest.mark.parametrize(
    ("sd", "correlation"), [((0.5, 0.7), 0.3), ((1.5, 0.2), -0.95), ((0.0, 0.4), 0.0), ((1.0, 1.0), -1.0)]
)
@pytest.mark.parametrize("cells", [(12, 9, 3, 51), (400, 90, 100, 410), (15, 0, 0, 60), (0, 5, 0, 55)])
def test_quadrature_equals_brute_force(sd: tuple[float, float], correlation: float, cells: tuple[int, ...]) -> None:
    hyper = Hyper(np.array([[1.2, 1.6]]), np.array([sd]), np.array([correlation]))
    tp, fp, fn, tn = cells
    model = BinomialLikelihood([[tp, tn]], [[tp + fn, tn + fp]])
    expected = brute(hyper, *cells)
    assert model.log_marginal(hyper)[0] == pytest.approx(expected[0], abs=2e-3)
    assert model.effects(hyper).probability[0, 0] == pytest.approx(expected[1:], abs=5e-4)


def grid_posterior(tp: np.ndarray, n: np.ndarray) -> tuple[float, float, np.ndarray]:
    """One measure by brute force: median SD, probability at the mean logit, and every examiner's mean probability."""
    mean, sd, eta = np.linspace(0.2, 2.6, 121), np.linspace(0.01, 1.6, 107), np.linspace(-2, 5, 3501)
    chance = expit(eta)
    like = np.array([binom.pmf(x, m, chance) for x, m in zip(tp, n, strict=True)])
    log_post, each = np.empty((121, 107)), np.empty((121, 107, len(tp)))
    for i, m in enumerate(mean):
        density = norm.pdf(eta[:, None], m, sd) * (eta[1] - eta[0])
        total = like @ density
        log_post[i] = np.log(total).sum(axis=0) - 0.5 * (m / 2.5) ** 2 - 0.5 * sd**2
        each[i] = ((like * chance) @ density / total).T
    weight = np.exp(log_post - log_post.max())
    weight /= weight.sum()
    marginal = weight.sum(axis=0)
    middle = np.interp(0.5, np.cumsum(marginal) - 0.5 * marginal, sd)
    centre = weight.sum(axis=1)
    return (
        float(middle),
        float(expit(np.interp(0.5, np.cumsum(centre) - 0.5 * centre, mean))),
        np.einsum("ij,ije->e", weight, each),
    )


@pytest.mark.study
def test_a_thousand_knees_an_examiner_equal_brute_force_to_three_digits() -> None:
    rng = np.random.default_rng(20260603)
    tp = rng.binomial(500, expit(1.4 + 0.45 * rng.standard_normal(8)))
    tn = rng.binomial(500, expit(1.7 + 0.45 * rng.standard_normal(8)))
    pooled = pool_counts(tp, 500 - tn, 500 - tp, tn, rung="univariate", draws=4096)
    for events, each, spread in (
        (tp, pooled.sensitivity, pooled.sensitivity_spread),
        (tn, pooled.specificity, pooled.specificity_spread),
    ):
        sd, mean, figures = grid_posterior(events, np.full(8, 500))
        assert each is not None
        assert spread is not None
        assert each.estimate == pytest.approx(figures, abs=1e-3)
        assert spread.mean == pytest.approx(mean, abs=2e-3)
        assert spread.between_sd == pytest.approx(sd, abs=5e-3)


def figures(pooled: Pooled) -> np.ndarray:
    assert pooled.sensitivity is not None
    assert pooled.specificity is not None
    return np.column_stack([pooled.sensitivity.estimate, pooled.specificity.estimate])


def test_every_figure_moves_towards_the_group_and_small_examiners_more() -> None:
    pooled = pool_counts(TP, FP, FN, TN)
    raw = np.column_stack([TP / 15, TN / 60])
    group = raw.mean(axis=0)
    far = np.abs(raw - group) > 0.1
    assert (np.abs(figures(pooled) - group) < np.abs(raw - group))[far].all()
    small = pool_counts([*TP, 2], [*FP, 20], [*FN, 2], [*TN, 80])
    large = pool_counts([*TP, 40], [*FP, 20], [*FN, 40], [*TN, 80])
    assert figures(small)[-1, 0] > figures(large)[-1, 0] > 0.5


def test_order_and_names_of_examiners_and_of_classes_are_nothing() -> None:
    base, order = pool_counts(TP, FP, FN, TN), np.random.default_rng(1).permutation(8)
    mixed = pool_counts(TP[order], FP[order], FN[order], TN[order])
    assert figures(mixed) == pytest.approx(figures(base)[order], abs=1e-5)
    swapped = pool_counts(TN, FN, FP, TP, draws=4096)
    assert figures(swapped)[:, ::-1] == pytest.approx(figures(pool_counts(TP, FP, FN, TN, draws=4096)), abs=0.01)


def test_the_same_seed_gives_the_same_and_another_nearly_so() -> None:
    base = pool_counts(TP, FP, FN, TN, seed=1)
    assert np.array_equal(figures(base), figures(pool_counts(TP, FP, FN, TN, seed=1)))
    assert figures(base) == pytest.approx(figures(pool_counts(TP, FP, FN, TN, seed=2)), abs=0.015)


def test_normal_likelihood_is_the_bivariate_normal_density() -> None:
    y, within = np.array([[1.0, 2.0]]), np.array([[[0.3, 0.05], [0.05, 0.2]]])
    hyper = Hyper(np.array([[1.2, 1.6]]), np.array([[0.5, 0.7]]), np.array([0.4]))
    total = within[0] + np.array([[0.25, 0.14], [0.14, 0.49]])
    away = y[0] - hyper.mean[0]
    expected = -np.log(2 * np.pi) - 0.5 * np.linalg.slogdet(total)[1] - 0.5 * away @ np.linalg.solve(total, away)
    model = NormalLikelihood(y, within)
    assert model.log_marginal(hyper)[0] == pytest.approx(expected, abs=1e-12)
    assert model.information(hyper)[0] == pytest.approx(np.linalg.inv(total), abs=1e-12)
    between = total - within[0]
    assert model.effects(hyper).mean[0, 0] == pytest.approx(hyper.mean[0] + between @ np.linalg.solve(total, away))
    left = between - between @ np.linalg.solve(total, between)
    assert model.effects(hyper).sd[0, 0] == pytest.approx(np.sqrt(np.diag(left)), abs=1e-12)


@pytest.mark.parametrize(
    ("cells", "rung", "words"),
    [
        (([5], [3], [2], [9]), "complete", "One figure for all"),
        (([5, 4], [3, 2], [2, 1], [9, 8]), "univariate", "pooled apart"),
        (([5, 4, 6], [0, 0, 0], [2, 1, 1], [0, 0, 0]), "univariate", "without the condition"),
        (([0, 0, 0], [0, 0, 0], [0, 0, 0], [0, 0, 0]), "complete", "No «noun»"),
        (([15] * 6, [0] * 6, [0] * 6, [60] * 6), "bivariate", ""),
        (([0] * 6, [9] * 6, [9] * 6, [0] * 6), "bivariate", ""),
    ],
)  # fmt: skip
def test_thin_data_give_a_note_and_never_0_or_1(cells: tuple[list[int], ...], rung: str, words: str) -> None:
    pooled = pool_counts(*cells)
    assert pooled.rung == rung
    assert words in pooled.note
    for each, spread in (
        (pooled.sensitivity, pooled.sensitivity_spread),
        (pooled.specificity, pooled.specificity_spread),
    ):
        assert (each is None) == (spread is None)
        if each is not None and spread is not None:
            assert ((each.estimate > 0) & (each.estimate < 1) & (each.ci_low <= each.estimate)).all()
            assert 0 < spread.ci_low < spread.mean < spread.ci_high < 1
            assert (spread.between_sd is None) == (rung == "complete")


@pytest.mark.parametrize("wrong", [([-1], [1], [1], [1]), ([1, 2], [1], [1], [1]), ([np.nan], [1], [1], [1])])
def test_counts_that_are_none_are_refused(wrong: tuple[list[float], ...]) -> None:
    with pytest.raises(ValueError, match=r"one value an examiner|counts"):
        pool_counts(*wrong)


def test_estimates_without_a_sound_covariance_are_refused() -> None:
    with pytest.raises(ValueError, match="positive definite"):
        pool_estimates([[1.0, 2.0]], [[[0.1, 0.2], [0.2, 0.1]]])


def test_a_wider_prior_gives_no_smaller_spread_and_is_the_prior_asked_for() -> None:
    spread = pool_counts(TP, FP, FN, TN, draws=4096).sensitivity_spread
    other = pool_counts(TP, FP, FN, TN, prior=Prior(sd=2.0), draws=4096).sensitivity_spread
    assert spread is not None
    assert other is not None
    assert (spread.sd_half_prior or 0) < (spread.between_sd or 0) < (spread.sd_double_prior or 0)
    assert spread.sd_double_prior == pytest.approx(other.between_sd, abs=0.03)


def test_scores_of_spreads_have_the_half_normal_prior() -> None:
    prior = Prior(sd=0.7)
    drawn = np.random.default_rng(5).standard_normal((200_000, 5))
    sd = Hyper.from_scores(drawn, prior).sd
    assert (sd**2).mean() ** 0.5 == pytest.approx(0.7, abs=0.005)
    assert log_prior(np.array([[0, 0, 1.0, 0, 0]]), prior)[0] == pytest.approx(-0.5)


def test_mixture_quantile_and_shortest_interval() -> None:
    mean, sd = np.array([[0.0], [3.0]]), np.array([[1.0], [0.5]])
    weights = np.array([0.3, 0.7])
    for share in (0.025, 0.5, 0.975):
        x = mixture_quantile(mean, sd, weights, share)
        assert weights @ norm.cdf(x, mean[:, 0], sd[:, 0]) == pytest.approx(share, abs=1e-6)
    values = np.abs(np.random.default_rng(3).standard_normal(20_000))
    low, high = shortest_interval(values, np.full(20_000, 1 / 20_000), 0.95)
    assert (low, high) == pytest.approx((0.0, 1.96), abs=0.04)


def test_with_every_knee_verified_correction_changes_nothing() -> None:
    rng = np.random.default_rng(8)
    examiner = np.repeat(np.arange(3), 400)
    present = rng.random(1200) < 0.4
    positive = rng.random(1200) < np.where(present, 0.8, 0.2)
    found = verified_logits(
        positive, present, np.full(1200, True), np.ones(1200), np.full(1200, 0.4), examiner, 3, np.arange(1200)
    )
    for who in range(3):
        own = examiner == who
        assert expit(found.logits[who]) == pytest.approx(
            (positive[own & present].mean(), (~positive)[own & ~present].mean()), abs=0.005
        )


def test_standardising_takes_out_an_uneven_case_mix() -> None:
    rng = np.random.default_rng(9)
    examiner = np.repeat([0, 1], 4000)
    hard = rng.random(8000) < np.where(examiner == 0, 0.8, 0.2)
    correct = rng.random(8000) < expit(logit(0.8) - 1.5 * hard)
    found = case_mix_logits(correct, np.full(8000, True), hard[:, None].astype(float), examiner, 2)
    raw = logit([correct[examiner == 0].mean(), correct[examiner == 1].mean()])
    assert abs(found.logits[0, 0] - found.logits[1, 0]) < 0.2 * abs(raw[0] - raw[1])
    assert np.isnan(found.logits[:, 1]).all()


def test_a_standardised_logit_is_as_uncertain_as_it_varies_where_knees_are_easy_or_hard() -> None:
    """One examiner saw easy knees alone, the other hard ones: a finding on the former tells less of the skill."""
    rng, code, ease = np.random.default_rng(2), np.repeat([0, 1], 300), np.repeat([1.5, -1.5], 300)
    drawn = [_standardised(rng.random(600) < expit(1.0 + ease), ease, code, 2) for _ in range(400)]
    logits, variances = (np.array(each) for each in zip(*drawn, strict=True))
    assert variances.mean(axis=0) == pytest.approx(logits.var(axis=0), rel=0.15)


def test_standardising_holds_where_the_skilled_see_the_hard_knees() -> None:
    """A model of all knees together takes a part of their skill for easy knees: 0.1 off at either end."""
    rng = np.random.default_rng(15)
    skill, hard_share = np.linspace(-0.8, 0.8, 9), np.linspace(0.1, 0.8, 9)
    examiner = np.repeat(np.arange(9), 6000)
    hard = rng.random(54000) < hard_share[examiner]
    correct = rng.random(54000) < expit(1.5 + skill[examiner] - 1.5 * hard)
    found = case_mix_logits(correct, np.full(54000, True), hard[:, None].astype(float), examiner, 9)
    share = hard.mean()
    truth = logit(share * expit(skill) + (1 - share) * expit(1.5 + skill))
    assert np.abs(found.logits[:, 0] - truth).max() < 0.12
    assert np.polyfit(truth, found.logits[:, 0], 1)[0] == pytest.approx(1.0, abs=0.04)


def lachman_knees(severity: str, rng: np.random.Generator) -> tuple[ConditionKnees, np.ndarray]:
    """Two examiners of one skill, easy complete and hard partial tears; the first sees mostly `severity`."""
    code = np.repeat([0, 1], 3000)
    present = rng.random(6000) < 0.5
    other = {"partial": "complete", "complete": "partial"}[severity]
    degree = np.where(rng.random(6000) < np.where(code == 0, 0.85, 0.15), severity, other)
    hit = rng.random(6000) < np.where(present, np.where(degree == "partial", 0.6, 0.95), 0.9)
    frame = pl.DataFrame(
        {
            "participant": np.arange(6000),
            "acuity": "acute",
            "guarding": "no",
            "effusion": "none",
            "result_lachman": np.where(hit == present, "positive", "negative"),
            "status_acl_tear": np.where(present, "present", "absent"),
            "index_acl_tear": True,
            "severity_acl_tear": pl.Series([d if p else None for d, p in zip(degree, present, strict=True)]),
        }
    )
    contract = load_contract()
    return ConditionKnees(frame, "acl_tear", contract, Protocol.defaults(contract)), code


@pytest.mark.parametrize("severity", ["partial", "complete"])
def test_an_examiner_who_sees_the_milder_tears_is_not_called_the_worse(severity: str) -> None:
    knees, code = lachman_knees(severity, np.random.default_rng(10))
    pair = PooledPair(knees, "lachman", code, 2)
    raw = np.array([count.events / count.n for count in pair.counts])
    found = expit(pair.standardised.logits)
    assert abs(raw[0, 0] - raw[0, 1]) > 0.2
    assert found[0, 0] == pytest.approx(found[1, 0], abs=0.03)
    assert found[:, 1] == pytest.approx(raw[1], abs=0.005)


def test_a_severity_that_no_reading_names_is_a_level_of_its_own() -> None:
    knees, code = lachman_knees("partial", np.random.default_rng(11))
    unnamed = pl.when(pl.col("severity_acl_tear") == "partial").then(None).otherwise(pl.col("severity_acl_tear"))
    without = PooledPair(knees, "lachman", code, 2).standardised
    knees.frame = knees.frame.with_columns(unnamed.alias("severity_acl_tear"))
    assert PooledPair(knees, "lachman", code, 2).standardised.logits == pytest.approx(without.logits, abs=1e-6)


def sharp(logits: np.ndarray, **more: float) -> Pooled:
    """Examiners known almost exactly: what is left is how they differ."""
    both = np.column_stack([logits, logits])
    return pool_estimates(both, np.tile(1e-4 * np.eye(2), (len(logits), 1, 1)), **more)


def test_a_new_examiner_is_expected_where_examiners_lie_and_not_where_their_mean_lies() -> None:
    quantiles, ends = norm.ppf((np.arange(300) + 0.5) / 300), norm.ppf([0.025, 0.975])
    spread = sharp(1.0 + 0.5 * quantiles).sensitivity_spread
    assert spread is not None
    assert (spread.predict_low, spread.predict_high) == pytest.approx(expit(1.0 + 0.5 * ends), abs=0.01)
    assert (spread.ci_low, spread.ci_high) == pytest.approx(expit(1.0 + 0.5 / 300**0.5 * ends), abs=0.005)
    narrow = sharp(1.0 + 0.5 * quantiles, level=0.8).sensitivity_spread
    assert narrow is not None
    assert (narrow.predict_low, narrow.predict_high) == pytest.approx(expit(1.0 + 0.5 * norm.ppf([0.1, 0.9])), abs=0.01)


def test_the_chance_of_lying_below_is_half_at_the_margin_and_certain_beyond_it() -> None:
    group, margin = float(expit(1.0)), 0.1
    line = float(logit(group - margin))
    others = 1.0 + 0.4 * norm.ppf((np.arange(300) + 0.5) / 300)
    pooled = pool_estimates(
        np.repeat(np.r_[others, line, line - 0.4, 1.0][:, None], 2, axis=1),
        np.tile(1e-4 * np.eye(2), (303, 1, 1)),
        margin=margin,
    )
    assert pooled.sensitivity is not None
    at, below, middle = pooled.sensitivity.probability_below[-3:]
    assert at == pytest.approx(0.5, abs=0.12)
    assert (below, middle) == pytest.approx((1.0, 0.0), abs=1e-3)


def test_two_equal_knees_of_one_person_are_one_when_corrected() -> None:
    rng = np.random.default_rng(12)
    present = rng.random(900) < 0.4
    positive = rng.random(900) < np.where(present, 0.8, 0.2)
    examiner, whole = np.repeat([0, 1, 2], 300), np.full(900, True)

    def variance(times: int) -> np.ndarray:
        who = np.repeat(np.arange(900), times)
        found = verified_logits(
            positive[who], present[who], whole[who], np.ones(who.size), np.full(who.size, 0.4), examiner[who], 3, who
        )
        return found.covariance[:, [0, 1], [0, 1]]

    for who in range(3):
        own = examiner == who
        for place, side in enumerate((own & present, own & ~present)):
            share = (positive == present)[side].mean()
            assert variance(1)[who, place] == pytest.approx(1 / (side.sum() * share * (1 - share)), rel=0.12)
    assert variance(2) == pytest.approx(variance(1), rel=0.1)


def test_the_variance_of_a_standardised_figure_is_that_of_repeated_samples() -> None:
    rng = np.random.default_rng(13)
    code = np.repeat(np.arange(8), 250)
    logits, variances = [], []
    for _ in range(60):
        hard = rng.random(2000) < 0.5
        correct = rng.random(2000) < expit(2.0 - 3.0 * hard)
        found = case_mix_logits(correct, np.full(2000, True), hard[:, None].astype(float), code, 8)
        logits.append(found.logits[:, 0])
        variances.append(found.covariance[:, 0, 0])
    seen = np.var(logits, axis=0, ddof=1).mean()
    assert np.mean(variances) == pytest.approx(seen, rel=0.15)


def test_draws_from_the_prior_are_predicted_as_often_as_is_said() -> None:
    """Intervals that are too wide at a small spread are the prior's doing: averaged over the prior they are right."""
    rng = np.random.default_rng(14)
    held = []
    for _ in range(60):
        sd, mean = np.abs(rng.standard_normal(2)), rng.normal(0, 2.5, 2)
        one, two = rng.standard_normal((2, 8))
        rho = float(np.tanh(rng.standard_normal()))
        truth = expit(mean + sd * np.column_stack([one, rho * one + (1 - rho**2) ** 0.5 * two]))
        tp, tn = rng.binomial(15, truth[:, 0]), rng.binomial(60, truth[:, 1])
        pooled = pool_counts(tp, 60 - tn, 15 - tp, tn, draws=400, seed=int(rng.integers(2**31)))
        for place, spread in enumerate((pooled.sensitivity_spread, pooled.specificity_spread)):
            assert spread is not None
            ends = logit([spread.predict_low, spread.predict_high])
            held.append(float(np.diff(norm.cdf((ends - mean[place]) / sd[place]))[0]))
    assert np.mean(held) == pytest.approx(0.95, abs=0.025)


def test_few_people_widen_a_corrected_figure_by_their_number_less_one() -> None:
    person = np.repeat(np.arange(6), 3)
    present = np.tile([True, True, False], 6)
    positive = np.repeat([True, True, True, True, False, False], 3)
    found = verified_logits(
        positive, present, np.full(18, True), np.ones(18), np.full(18, 0.5), np.zeros(18, int), 1, person
    )
    # 12 knees with the condition, 8 of them positive, in 6 people of 2 such knees each
    size, group = 13.0, 8.5 / 13
    share = (8 + 10 * group) / 22
    influence = np.array([2 / (size * share)] * 4 + [-2 / (size * (1 - share))] * 2)
    expected = (influence**2).sum() - influence.sum() ** 2 / 6
    assert found.covariance[0, 0, 0] == pytest.approx(expected * 6 / 5, rel=1e-6)


def test_examiners_of_one_skill_who_image_differently_look_alike_once_corrected() -> None:
    rng = np.random.default_rng(15)
    code = np.repeat([0, 1], 4000)
    present = rng.random(8000) < 0.4
    positive = rng.random(8000) < np.where(present, 0.75, 0.2)
    own = np.where(positive, 0.8, np.where(code == 0, 0.1, 0.7))
    verified = rng.random(8000) < own
    common = np.where(positive, 0.8, 0.4)
    expected = np.full(8000, 0.4)  # wrong, so that all rests on the chance of verification
    found = verified_logits(positive, present, verified, common, expected, code, 2, np.arange(8000))
    raw = [
        (positive & present & verified)[code == who].sum() / (present & verified)[code == who].sum() for who in (0, 1)
    ]
    assert abs(raw[0] - raw[1]) > 0.1
    assert expit(found.logits[:, 0]) == pytest.approx([0.75, 0.75], abs=0.05)
    assert expit(found.logits[:, 1]) == pytest.approx([0.8, 0.8], abs=0.03)
    shifted = habits(common, positive, verified, code, 2)
    assert [shifted[(code == who) & ~positive].mean() for who in (0, 1)] == pytest.approx([0.1, 0.7], abs=0.02)

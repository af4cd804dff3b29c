"""Groups of examiners: equal to a t test where examiners are equally busy, honest where they are few."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import polars as pl
import pytest
from scipy import stats

from examtally.analytics.comparison.examiner_clusters import contrast_examiners
from examtally.analytics.comparison.interactions import examiner_remark
from examtally.analytics.comparison.knees import Compared

ONE, OTHER = np.array([9.0, 8.0, 10.0, 7.0]), np.array([6.0, 7.0, 8.0])


def test_with_as_many_knees_each_it_is_welchs_variance_of_examiners_means() -> None:
    """CR2 is then the unbiased variance of a mean in each group; equal groups give the t test on examiners - 2."""
    made = contrast_examiners((ONE, OTHER), (np.full(4, 10.0), np.full(3, 10.0)), 0.0)
    a, b = ONE / 10, OTHER / 10
    assert made.value == pytest.approx(a.mean() - b.mean())
    assert made.variance == pytest.approx(a.var(ddof=1) / 4 + b.var(ddof=1) / 3)
    assert made.examiners == (4, 3)
    same = contrast_examiners((ONE[:3], OTHER), (np.full(3, 10.0), np.full(3, 10.0)), 0.0)
    t = stats.ttest_ind(a[:3], b)
    assert (same.df, same.statistic, same.p_value) == pytest.approx((4.0, t.statistic, t.pvalue))
    low, high = same.limits(0.95)
    assert (low, high) == pytest.approx(tuple(t.confidence_interval(0.95)))


def test_it_equals_the_general_formula_by_matrices() -> None:
    """Bell & McCaffrey 2002, CR2 of the least-squares fit of two group means, independence as the working model."""
    events, knees = (
        (np.array([3.0, 9.0, 20.0]), np.array([2.0, 5.0, 6.0, 1.0])),
        (
            np.array([5.0, 12.0, 22.0]),
            np.array([4.0, 7.0, 9.0, 6.0]),
        ),
    )
    made = contrast_examiners(events, knees, 0.0)
    rows, outcome, cluster = [], [], []
    for side in (0, 1):
        for place, (positive, n) in enumerate(zip(events[side], knees[side], strict=True)):
            rows += [[float(side == 0), float(side == 1)]] * int(n)
            outcome += [1.0] * int(positive) + [0.0] * int(n - positive)
            cluster += [(side, place)] * int(n)
    x, y = np.array(rows), np.array(outcome)
    bread = np.linalg.inv(x.T @ x)
    residual, hat = y - x @ bread @ x.T @ y, x @ bread @ x.T
    contrast = np.array([1.0, -1.0])
    total, forms = 0.0, []
    for key in dict.fromkeys(cluster):
        own = np.array([one == key for one in cluster])
        left = np.eye(own.sum()) - hat[np.ix_(own, own)]
        values, vectors = np.linalg.eigh(left)
        weight = contrast @ bread @ x[own].T @ (vectors / np.sqrt(values)) @ vectors.T
        total += float(weight @ residual[own]) ** 2
        forms.append((np.eye(len(y)) - hat)[:, own] @ weight)
    assert made.variance == pytest.approx(total)
    form = np.array(forms) @ np.array(forms).T
    assert made.df == pytest.approx(min(np.trace(form) ** 2 / (form**2).sum(), 5))


def test_knees_of_one_examiner_tell_less_than_as_many_of_several() -> None:
    events, knees = np.array([50.0, 38.0, 45.0]), np.full(3, 50.0)
    made = contrast_examiners((events, events[::-1] - 10), (knees, knees))
    independent = 2 * (133 / 150) * (17 / 150) / 150
    assert made.variance > 2 * independent


@pytest.mark.parametrize("shares", [(0.8, 0.7), (1.0, 1.0), (0.95, 1.0)])
@pytest.mark.parametrize("examiners", [2, 3, 4])
def test_it_is_never_surer_than_independent_knees(shares: tuple[float, float], examiners: int) -> None:
    """Examiners who by chance agree with each other to the last knee."""
    knees = np.full(examiners, 20.0)
    made = contrast_examiners((shares[0] * knees, shares[1] * knees), (knees, knees))
    n = knees.sum()
    added = [(share * n + 1) / (n + 2) for share in shares]
    assert made.variance == pytest.approx(sum(p * (1 - p) / (n + 2) for p in added))
    assert made.df == pytest.approx(2 * examiners - 2)
    low, high = made.limits(0.95)
    plain = 1.96 * np.sqrt(sum(p * (1 - p) / n for p in shares))
    assert high - low > 2 * plain
    known = contrast_examiners((shares[0] * knees, shares[1] * knees), (knees, knees), 0.04)
    assert known.variance == 0.04


def test_enough_examiners_speak_for_themselves() -> None:
    """From five a group on the variance is that between examiners, smaller or not."""
    events, knees = np.array([16.0, 17.0, 16.0, 15.0, 16.0]), np.full(5, 20.0)
    enough = contrast_examiners((events, events - 2), (knees, knees))
    few = contrast_examiners((events[:4], events - 2), (knees[:4], knees))
    assert enough.variance == pytest.approx(2 * (events / 20).var(ddof=1) / 5)
    assert few.variance > 3 * enough.variance


def test_one_examiner_or_none_gives_no_interval_and_idle_ones_do_not_count() -> None:
    alone = contrast_examiners((np.array([8.0, 0.0]), OTHER), (np.array([10.0, 0.0]), np.full(3, 10.0)))
    assert alone.examiners == (1, 3)
    assert alone.value == pytest.approx(0.1)
    assert np.isnan(alone.p_value)
    assert np.isnan(alone.limits(0.95)).all()
    assert np.isnan(contrast_examiners((np.zeros(0), OTHER), (np.zeros(0), np.full(3, 10.0))).value)


@pytest.mark.parametrize(("first", "second", "is_few"), [(5, 5, False), (4, 9, True), (9, 4, True)])
def test_fewer_than_five_examiners_a_group_only_describe(first: int, second: int, is_few: bool) -> None:
    groups = [np.tile([7.0, 8.0, 9.0], 3)[:many] for many in (first, second)]
    said = examiner_remark(contrast_examiners((groups[0], groups[1]), (np.full(first, 10.0), np.full(second, 10.0))))
    assert (said["flag"] == "few_examiners") is is_few
    assert (said["note"] or "").startswith("Descriptive only") is is_few


def test_variance_from_elsewhere_widens_and_frees_degrees() -> None:
    made = contrast_examiners((ONE[:3], OTHER), (np.full(3, 10.0), np.full(3, 10.0)))
    wider = made.widened(made.variance)
    assert wider.variance == pytest.approx(2 * made.variance)
    assert wider.df == pytest.approx(4 * made.df)
    low, high = wider.limits(0.95)
    assert high - low == pytest.approx(2 * np.sqrt(2 * made.variance) * stats.t.ppf(0.975, 16))


@dataclass(frozen=True)
class _Corrected:
    """A side whose knees add what a correction for verification says, (n, 4)."""

    inside: np.ndarray
    added: np.ndarray

    def contributions(self, *_: object) -> np.ndarray:
        return np.where(self.inside[:, None], self.added, 0.0)


def test_a_corrected_difference_is_never_surer_than_by_its_influence_function() -> None:
    """Every examiner sees the same knees, of which few verified ones stand for many."""
    knees = np.array([[4.0, 0, -1.0, 0], [0.5, 0, 0.2, 0], [0.2, 0, 1.5, 0]])
    added = np.tile(knees, (12, 1))
    examiner = np.repeat(np.arange(6), 6)
    sides = (_Corrected(examiner < 3, added), _Corrected(examiner >= 3, added))
    everybody = np.ones(examiner.size, dtype=bool)
    frame = SimpleNamespace(frame=pl.DataFrame({"examiner": examiner}))
    compared: Any = Compared(*cast(Any, (frame, everybody, everybody, everybody, None, sides, None)))
    made = compared.examiner_contrast("sensitivity", is_corrected=True)
    events, weights = added[:, 0], added[:, 0] + added[:, 2]
    rest = events - events.sum() / weights.sum() * weights
    assert made.variance == pytest.approx(4 * (rest**2).sum() / weights.sum() ** 2)
    assert made.value == pytest.approx(0.0)

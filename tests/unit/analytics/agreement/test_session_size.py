"""The size of an agreement day: against a printed variance, a formula worked by hand, and days drawn at random."""

from __future__ import annotations

import numpy as np
import pytest

from examtally.analytics.agreement.session_size import agreement_variance, kappa_of_ac1, session_size
from examtally.analytics.agreement.statistics import binary_statistics
from examtally.analytics.sample_size import kappa_variance


@pytest.mark.parametrize(("kappa", "positive"), [(0.2, 0.5), (0.6, 0.3), (0.85, 0.1), (0.4, 0.9)])
def test_with_two_examiners_the_variance_of_kappa_is_that_in_print(kappa: float, positive: float) -> None:
    assert agreement_variance("kappa", kappa, positive, 2) == pytest.approx(kappa_variance(kappa, positive))


def test_subjects_for_an_intraclass_correlation_follow_the_printed_formula() -> None:
    by_hand = 8 * 1.959964**2 * 0.3**2 * (1 + 2 * 0.7) ** 2 / (3 * 2 * 0.2**2) + 1
    assert session_size("icc", 0.7, 0.1, 3).subjects == int(np.ceil(by_hand))


@pytest.mark.parametrize("statistic", ["kappa", "ac1"])
def test_days_drawn_at_random_spread_as_planned(statistic: str) -> None:
    draw = np.random.default_rng(20261129)
    positive, value, k, n = 0.35, 0.6, 4, 60
    kappa = value if statistic == "kappa" else kappa_of_ac1(value, positive)
    scale = (1 - kappa) / kappa
    truth = draw.beta(positive * scale, (1 - positive) * scale, (3000, n))
    called = draw.binomial(k, truth)
    pairs = k * (k - 1) / 2
    both = (called * (called - 1) / 2).sum(axis=1)
    neither = ((k - called) * (k - called - 1) / 2).sum(axis=1)
    unlike = n * pairs - both - neither
    cells = np.stack([both, unlike / 2, unlike / 2, neither], axis=-1)
    name = {"kappa": "cohen_kappa", "ac1": "gwet_ac1"}[statistic]
    found = binary_statistics(cells)[name]
    assert found.mean() == pytest.approx(value, abs=0.02)
    assert found.std() == pytest.approx(np.sqrt(agreement_variance(statistic, value, positive, k) / n), rel=0.06)


def test_more_examiners_need_fewer_subjects_and_the_half_width_is_kept() -> None:
    sizes = [session_size("kappa", 0.6, 0.15, k, 0.4) for k in (2, 3, 5, 8)]
    subjects = [one.subjects or 0 for one in sizes]
    assert subjects == sorted(subjects, reverse=True)
    assert subjects[0] > subjects[-1]
    assert all(one.half_width is not None and one.half_width <= 0.15 for one in sizes)
    assert sizes[0].exams == 2 * subjects[0]


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"statistic": "phi"}, "statistic"),
        ({"value": 1.0}, "value"),
        ({"width": 0.0}, "half-width"),
        ({"examiners": 1}, "examiners"),
        ({"positive": 1.0}, "positive"),
        ({"statistic": "ac1", "value": 0.1, "positive": 0.05}, "AC1"),
    ],
)
def test_what_is_not_legal_is_named(given: dict[str, object], words: str) -> None:
    asked = {"statistic": "kappa", "value": 0.6, "width": 0.1, "examiners": 3, "positive": 0.5} | given
    with pytest.raises(ValueError, match=words):
        session_size(**asked)  # type: ignore[arg-type]


def test_what_no_day_could_reach_is_said() -> None:
    assert session_size("kappa", 0.5, 0.0001, 2).subjects is None

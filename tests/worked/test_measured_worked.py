"""Intraclass correlations and limits of agreement against the examples printed with the methods."""

from __future__ import annotations

import numpy as np
import pytest

from examtally.analytics.agreement.measured import (
    intraclass,
    limits_of_agreement,
    mean_squares,
    reproducibility,
)

# Shrout and Fleiss, Psychol Bull 1979;86:420-428, table 2: six targets, four judges.
RATINGS = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float)
# Bland and Altman, Lancet 1986;1:307-310, table 1: peak expiratory flow, l/min, two meters, each twice.
WRIGHT = np.array([494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427], dtype=float)
WRIGHT_AGAIN = np.array(
    [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421], dtype=float
)
MINI = np.array([512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451], dtype=float)
MINI_AGAIN = np.array(
    [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443], dtype=float
)


def test_the_mean_squares_are_those_printed() -> None:
    made = mean_squares(RATINGS)
    found = (made.subjects, made.within, made.examiners, made.residual)
    assert [round(one, 2) for one in found] == [11.24, 6.26, 32.49, 1.02]


@pytest.mark.parametrize(
    ("form", "printed"),
    [
        *(("icc_1_1", 0.17), ("icc_2_1", 0.29), ("icc_3_1", 0.71)),
        *(("icc_1_k", 0.44), ("icc_2_k", 0.62), ("icc_3_k", 0.91)),
    ],
)
def test_all_six_forms_are_those_printed(form: str, printed: float) -> None:
    assert round(intraclass(RATINGS)[form].estimate, 2) == printed


def test_limits_follow_from_the_formulas_of_the_paper() -> None:
    made = intraclass(RATINGS)
    found = {form: (round(one.low, 2), round(one.high, 2)) for form, one in made.items()}
    assert found["icc_1_1"] == (-0.13, 0.72)
    assert found["icc_2_1"] == (0.02, 0.76)
    assert found["icc_3_1"] == (0.34, 0.95)
    assert found["icc_1_k"] == (-0.88, 0.91)
    assert found["icc_2_k"] == (0.07, 0.93)
    assert found["icc_3_k"] == (0.68, 0.99)


def test_the_limits_of_agreement_are_those_printed() -> None:
    made = limits_of_agreement(WRIGHT - MINI, width=2)
    mean, low, high = made["mean_difference"], made["limit_low"], made["limit_high"]
    assert round(mean.estimate, 1) == -2.1
    assert [round(one, 1) for one in (mean.low, mean.high)] == [-22.0, 17.8]
    sd = (high.estimate - low.estimate) / 4
    assert round(sd, 1) == 38.8
    assert [round(-2.1 + side * round(sd, 1), 1) for side in (-2, 2)] == [-79.7, 75.5]  # as printed, from rounded steps
    assert [round(one.estimate, 1) for one in (low, high)] == [-79.6, 75.4]  # without rounding between
    assert [round(one) for one in (low.low, low.high, high.low, high.high)] == [-114, -45, 41, 110]


def test_what_two_examiners_differ_by_follows_from_the_components() -> None:
    made = mean_squares(RATINGS)
    expected = 1.96 * (2 * ((made.examiners - made.residual) / 6 + made.residual)) ** 0.5
    assert reproducibility(RATINGS) == pytest.approx(expected)


def test_a_table_with_a_gap_is_refused_and_one_that_never_varies_has_no_correlation() -> None:
    with pytest.raises(ValueError, match="complete table"):
        mean_squares(np.array([[1.0, np.nan], [2.0, 3.0]]))
    assert all(np.isnan(one.estimate) for one in intraclass(np.ones((4, 3))).values())

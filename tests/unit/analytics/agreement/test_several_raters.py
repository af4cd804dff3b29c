"""Fleiss' kappa and Krippendorff's alpha against their printed examples, each other and an independent library."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.inter_rater import fleiss_kappa as library_fleiss

from examtally.analytics.agreement.two_raters import cohen_kappa
from examtally.analytics.fleiss import fleiss_kappa
from examtally.analytics.krippendorff import krippendorff_alpha

# Fleiss, Psychol Bull 1971;76:378–382, table 1: 30 patients, 6 psychiatrists, 5 diagnoses; kappa 0.430
PATIENTS = """
00060 03003 01401 00006 03030 20400 00402 20310 20040 00006 10050 11040 03300 10050 02031
00501 30012 51000 02040 10203 00006 01050 02013 20040 10041 05010 40002 02040 10500 00006
"""
COUNTS = [[int(digit) for digit in row] for row in PATIENTS.split()]

NA = np.nan
# Krippendorff, Computing Krippendorff's Alpha-Reliability, 2011, section C: four observers, twelve units
OBSERVERS = [
    [1, 2, 3, 3, 2, 1, 4, 1, 2, NA, NA, NA],
    [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, NA, 3],
    [NA, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, NA],
    [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, NA],
]


def test_thirty_patients() -> None:
    kappa = fleiss_kappa(COUNTS)
    assert (kappa.estimate, kappa.observed) == pytest.approx((0.43024452006014, 0.555555555556), abs=1e-10)
    assert kappa.expected == pytest.approx(0.219938271605, abs=1e-10)
    # Fleiss, Nee & Landis, Psychol Bull 1979;86:974–977
    assert (kappa.se_null, kappa.z) == pytest.approx((0.024373932099, 17.651830583), abs=1e-8)
    assert kappa.se_null_by_category == pytest.approx(0.047140452079, abs=1e-10)
    assert kappa.by_category == pytest.approx((0.244755245, 0.244755245, 0.52, 0.471127273, 0.566117807), abs=1e-8)
    assert kappa.units == 30


@pytest.mark.parametrize(
    ("scale", "alpha"),
    [
        ("nominal", 0.743421052632),
        ("ordinal", 0.815387503755),
        ("interval", 0.849107142857),
        ("ratio", 0.797402774712),
    ],
)
def test_four_observers(scale: str, alpha: float) -> None:
    found = krippendorff_alpha(OBSERVERS, scale)
    assert found.estimate == pytest.approx(alpha, abs=1e-10)
    assert (found.units, found.ratings) == (11, 40)


def test_fleiss_agrees_with_statsmodels() -> None:
    counts = np.random.default_rng(1).multinomial(4, [0.5, 0.3, 0.2], 50)
    assert fleiss_kappa(counts).estimate == pytest.approx(library_fleiss(counts), abs=1e-12)


def test_fleiss_with_two_raters_is_kappa_of_the_table_made_symmetric() -> None:
    table = np.array([[40, 9], [6, 45]])
    counts = np.repeat([[2, 0], [1, 1], [0, 2]], [40, 15, 45], axis=0)
    assert fleiss_kappa(counts).estimate == pytest.approx(cohen_kappa((table + table.T) / 2).estimate, abs=1e-12)


def test_nominal_alpha_is_fleiss_with_its_correction_for_few_ratings() -> None:
    calls = np.random.default_rng(2).integers(0, 3, (4, 60))
    counts = (calls[:, :, None] == np.arange(3)).sum(axis=0)
    n = calls.size
    expected = fleiss_kappa(counts).estimate
    assert krippendorff_alpha(calls).estimate == pytest.approx(expected + (1 - expected) / n, abs=1e-12)


def test_two_values_give_the_same_alpha_on_every_scale_but_ratio() -> None:
    calls = np.random.default_rng(3).integers(0, 2, (3, 40))
    alphas = {krippendorff_alpha(calls, scale).estimate for scale in ("nominal", "ordinal", "interval")}
    assert max(alphas) == pytest.approx(min(alphas), abs=1e-12)


def test_raters_and_units_in_any_order() -> None:
    table, rng = np.array(OBSERVERS), np.random.default_rng(4)
    shuffled = table[rng.permutation(4)][:, rng.permutation(12)]
    for scale in ("nominal", "ordinal"):
        assert krippendorff_alpha(shuffled, scale) == krippendorff_alpha(table, scale)


def test_unequal_numbers_of_ratings_have_no_error_under_chance() -> None:
    kappa = fleiss_kappa([[2, 0], [2, 1], [0, 3], [1, 0]])
    assert kappa.units == 3
    assert (kappa.se_null, kappa.z) == (None, None)
    assert kappa.observed == pytest.approx((1 + 1 / 3 + 1) / 3)
    assert kappa.note


def test_one_category_is_not_estimable() -> None:
    kappa = fleiss_kappa([[3, 0], [3, 0]])
    assert (kappa.estimate, kappa.se_null, kappa.by_category) == (None, None, (None, None))
    assert kappa.note
    for scale in ("nominal", "ordinal", "interval", "ratio"):
        alpha = krippendorff_alpha([[1, 1], [1, 1]], scale)
        assert alpha.estimate is None
        assert alpha.note


def test_an_unused_category_has_no_kappa_of_its_own() -> None:
    assert fleiss_kappa([[2, 1, 0], [0, 3, 0]]).by_category[2] is None


def test_nothing_rated_twice() -> None:
    assert fleiss_kappa([[1, 0], [0, 1]]).estimate is None
    assert krippendorff_alpha([[1, NA], [NA, 2]]).estimate is None
    assert krippendorff_alpha([[NA, NA]]).units == 0


@pytest.mark.parametrize("counts", [[1, 2], [[1], [2]], [[-1, 2]], [[0.5, 1.5]], [[NA, 1.0]]])
def test_fleiss_refuses_what_is_no_count(counts: list[list[float]]) -> None:
    with pytest.raises(ValueError, match="counts"):
        fleiss_kappa(counts)


@pytest.mark.parametrize(
    ("ratings", "scale"),
    [([1, 2], "nominal"), ([[np.inf, 1]], "nominal"), ([[-1], [1]], "ratio"), ([[1], [1]], "cardinal")],
)
def test_alpha_refuses_what_is_no_rating(ratings: list[list[float]], scale: str) -> None:
    with pytest.raises(ValueError, match=r"ratings|scale"):
        krippendorff_alpha(ratings, scale)

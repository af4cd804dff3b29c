"""An imperfect reference against the formulas' own figures and exact constructions."""

from __future__ import annotations

import numpy as np
import pytest

from examtally.analytics.imperfect_reference.correction import (
    Reference,
    correct_for_reference,
    largest_covariance,
    tipping_point,
)

STAQUET = np.array([439.0, 181.0, 171.0, 1209.0])


def test_staquet_formula() -> None:
    """Truth by construction (0.80, 0.90, 0.30): Staquet, Rozencweig, Lee & Muggia. J Chronic Dis 1981;34:599–610."""
    found = correct_for_reference(STAQUET, Reference(0.9, 0.95))
    assert found.estimates["sensitivity"] == pytest.approx(0.8, abs=1e-9)
    assert found.estimates["specificity"] == pytest.approx(0.9, abs=1e-9)
    assert found.estimates["prevalence"] == pytest.approx(0.3, abs=1e-9)
    assert found.estimates["ppv"] == pytest.approx(0.24 / 0.31, abs=1e-9)
    assert found.estimates["npv"] == pytest.approx(0.63 / 0.69, abs=1e-9)
    assert found.estimates["lr_positive"] == pytest.approx(8.0, abs=1e-9)
    assert found.estimates["lr_negative"] == pytest.approx(0.2 / 0.9, abs=1e-9)
    assert found.compatible.all()


def table(prevalence: float, finding: tuple[float, float], reference: Reference, n: float = 1e4) -> np.ndarray:
    """Expected tp, fp, fn, tn against the reference."""
    sensitivity, specificity = finding
    alpha, beta = np.asarray(reference.sensitivity), np.asarray(reference.specificity)
    present, absent = np.asarray(reference.covariance_present), np.asarray(reference.covariance_absent)
    both = prevalence * (sensitivity * alpha + present)
    both += (1 - prevalence) * ((1 - specificity) * (1 - beta) + absent)
    found = prevalence * sensitivity + (1 - prevalence) * (1 - specificity)
    seen = prevalence * alpha + (1 - prevalence) * (1 - beta)
    return n * np.array([both, found - both, seen - both, 1 - found - seen + both])


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 1.0])
def test_errors_that_go_together_are_undone(share: float) -> None:
    present = share * float(largest_covariance(0.7, 0.87))
    absent = share * float(largest_covariance(0.85, 0.93))
    reference = Reference(0.87, 0.93, present, absent)
    found = correct_for_reference(table(0.35, (0.7, 0.85), reference), reference)
    given = [found.estimates[name][0] for name in ("sensitivity", "specificity", "prevalence")]
    assert given == pytest.approx([0.7, 0.85, 0.35], abs=1e-12)
    assert found.compatible[0]


def test_a_perfect_reference_changes_nothing() -> None:
    found = correct_for_reference([30, 10, 20, 60], Reference(1.0, 1.0))
    assert found.estimates["sensitivity"][0] == pytest.approx(0.6, abs=1e-12)
    assert found.standard_errors["sensitivity"][0] == pytest.approx(np.sqrt(0.6 * 0.4 / 50), abs=1e-12)


def test_error_of_the_prevalence_is_rogan_and_gladens() -> None:
    found = correct_for_reference([40, 20, 20, 120], Reference(0.9, 0.95))
    assert found.standard_errors["prevalence"][0] == pytest.approx(0.038122004108281524, abs=1e-12)


def test_errors_and_limits_agree_with_repeated_sampling() -> None:
    reference = Reference(0.87, 0.93, 0.02, 0.01)
    cells = table(0.4, (0.7, 0.85), reference, 600)
    draws = np.random.default_rng(4).multinomial(600, cells / 600, size=20_000)
    said, found = correct_for_reference(cells, reference), correct_for_reference(draws, reference)
    for name in ("sensitivity", "specificity", "prevalence", "ppv", "npv"):
        assert np.std(found.estimates[name]) == pytest.approx(said.standard_errors[name][0], rel=0.04)
        truth = said.estimates[name][0]
        limits = found.limits[name]
        covered = (limits.low <= truth) & (truth <= limits.high)
        assert np.mean(covered[found.compatible]) == pytest.approx(0.95, abs=0.02)
    spread = np.nanstd(np.log(found.estimates["lr_positive"]))
    assert spread == pytest.approx(said.standard_errors["lr_positive"][0] / said.estimates["lr_positive"][0], rel=0.08)


def test_an_impossible_reference_is_called_incompatible() -> None:
    found = correct_for_reference([STAQUET, STAQUET], Reference([0.9, 0.9], [0.95, 0.65]))
    assert found.compatible.tolist() == [True, False]  # 30.5 % positive cannot come from 35 % false positives
    assert np.isnan(found.limits["sensitivity"].low[1])
    beyond = correct_for_reference(STAQUET, Reference(0.9, 0.95, 0.05, 0.0))
    assert beyond.estimates["sensitivity"][0] < 0.8
    assert not correct_for_reference(STAQUET, Reference(0.9, 0.95, 0.2, 0.0)).compatible[0]


def test_bad_arguments_are_refused() -> None:
    with pytest.raises(ValueError, match="more than 1"):
        Reference(0.5, 0.5)
    with pytest.raises(ValueError, match="0 to 1"):
        Reference(1.2, 0.5)
    with pytest.raises(ValueError, match="tp, fp, fn, tn"):
        correct_for_reference([1, 2, 3, -1], Reference(0.9, 0.9))


def test_tipping_point_is_where_the_figure_crosses() -> None:
    def sensitivity(assumed: np.ndarray) -> np.ndarray:
        tables = np.repeat(STAQUET[None, :], assumed.size, axis=0)
        return np.asarray(correct_for_reference(tables, Reference(0.9, assumed)).estimates["sensitivity"])

    where = tipping_point(sensitivity, 0.75, 0.95, 0.7, 1.0)
    assert where is not None
    assert sensitivity(np.array([where]))[0] == pytest.approx(0.75, abs=1e-7)
    assert tipping_point(sensitivity, 0.1, 0.95, 0.9, 1.0) is None

"""Examiners' logits from draws: what all share is told apart from what is each one's own."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hidden_examiners import CONDITION, MANEUVERS, HiddenClinic, hidden_clinic

from examtally.analytics.examiner_effects.drawn import DrawnCells, drawn_cells, drawn_logits
from examtally.analytics.examiner_effects.fit import pool_estimates
from examtally.contracts.contract import load_contract

CONTRACT = load_contract()
EXAMINERS = 5


@pytest.fixture(scope="module")
def clinic() -> HiddenClinic:
    return hidden_clinic(11, knees=1200, examiners=EXAMINERS)


def cells_of(clinic: HiddenClinic, code: np.ndarray, groups: int) -> DrawnCells:
    knees = SimpleNamespace(condition=CONDITION, frame=clinic.records.exams.with_row_index("place"))
    found = drawn_cells(knees, code, groups, (clinic.records, clinic.models), MANEUVERS, CONTRACT)  # type: ignore[arg-type]
    assert found is not None
    return found


def test_cells_of_examiners_add_up_to_those_of_all(clinic: HiddenClinic) -> None:
    each = cells_of(clinic, clinic.examiner, EXAMINERS).cells
    everyone = cells_of(clinic, np.zeros(clinic.examiner.size, np.int64), 1).cells
    for maneuver in MANEUVERS:
        assert each[maneuver].sum(axis=1) == pytest.approx(everyone[maneuver][:, 0], rel=1e-4)


def test_the_order_of_examiners_does_not_matter(clinic: HiddenClinic) -> None:
    found = cells_of(clinic, clinic.examiner, EXAMINERS).logits(MANEUVERS[0])
    turned = cells_of(clinic, EXAMINERS - 1 - clinic.examiner, EXAMINERS).logits(MANEUVERS[0])
    assert found is not None
    assert turned is not None
    assert turned.logits[::-1] == pytest.approx(found.logits)
    assert turned.common == pytest.approx(found.common)


def test_what_moves_all_alike_is_common_and_what_moves_one_is_not() -> None:
    rng = np.random.default_rng(3)
    cells = np.full((4, 6, 3000), 100.0)
    cells[0] += 10 * rng.standard_normal((6, 3000))
    alone = drawn_logits(cells)
    assert alone.common is not None
    assert alone.common[0, 0] < 0.0002
    together = cells.copy()
    together[0] += 20 * rng.standard_normal(3000)
    found = drawn_logits(together)
    assert found.common is not None
    # of 200 knees with the condition half are found: a tp more moves the logit by 1 / 100
    assert found.common[0, 0] == pytest.approx(0.04, rel=0.1)
    assert found.common[1, 1] < 0.0002
    assert found.covariance == pytest.approx(alone.covariance, rel=0.2, abs=1e-3)


def test_variances_are_at_least_those_of_knees_of_known_status() -> None:
    found = drawn_logits(np.full((4, 3, 100), 20.0))
    assert found.covariance[:, 0, 0] == pytest.approx(1 / (41 * 0.25))


def test_a_shared_error_widens_figures_and_no_difference() -> None:
    logits = np.column_stack([np.linspace(0.5, 1.5, 8), np.linspace(1.8, 2.2, 8)])
    own = np.tile(0.05 * np.eye(2), (8, 1, 1))
    plain = pool_estimates(logits, own, seed=1, draws=512)
    shared = pool_estimates(logits, own, common=0.3 * np.eye(2), seed=1, draws=512)
    assert plain.sensitivity_spread is not None
    assert shared.sensitivity_spread is not None
    assert shared.sensitivity_spread.between_sd == plain.sensitivity_spread.between_sd
    width = [s.ci_high - s.ci_low for s in (plain.sensitivity_spread, shared.sensitivity_spread)]
    assert width[1] > 1.3 * width[0]
    assert plain.sensitivity is not None
    assert shared.sensitivity is not None
    assert shared.sensitivity.probability_below == pytest.approx(plain.sensitivity.probability_below, abs=0.03)


def test_a_measure_that_is_withheld_has_no_logits(clinic: HiddenClinic) -> None:
    cells = cells_of(clinic, clinic.examiner, EXAMINERS)
    held = DrawnCells(cells.cells, frozenset({"sensitivity"})).logits(MANEUVERS[0])
    assert held is not None
    assert np.isnan(held.logits[:, 0]).all()
    assert np.isfinite(held.logits[:, 1]).all()
    assert DrawnCells(cells.cells, frozenset({"sensitivity", "specificity"})).logits(MANEUVERS[0]) is None

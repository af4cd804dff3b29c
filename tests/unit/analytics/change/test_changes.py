"""Change of known size in made-up knees: found where it is, not claimed where it is not, and told only where it can."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import polars as pl
import pytest

from examtally.analytics.bias_adjusted.draws import StatusDraws, pack
from examtally.analytics.bias_adjusted.knees import StatusKnees
from examtally.analytics.bias_adjusted.model import BiasModels, ConditionModel
from examtally.analytics.bias_adjusted.terms import TermList
from examtally.analytics.change.changes import changes_table
from examtally.analytics.change.context import context_table
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import Protocol, load_protocol
from examtally.contracts.results import conform, table_of
from examtally.results.analysis import _said

CONTRACT = load_contract()
EXAMINERS, PERIODS, N = 10, 20, 6000
TARGETS = {
    "lachman": [{"condition": "acl_tear", "maneuver": "lachman", "measure": "sensitivity"}],
    "drawer": [{"condition": "acl_tear", "maneuver": "anterior_drawer", "measure": "sensitivity"}],
}


def _protocol(**changes: Any) -> Protocol:
    one = {"code": "course", "title": "a course", "kind": "teaching", "period": "P011", "declared": "P010"}
    given = one | {"should_change": TARGETS["lachman"], "should_not_change": TARGETS["drawer"]} | changes
    return load_protocol({"interventions": [given]}, CONTRACT)


def _models(*, gain: float, drift: float = 0.0, everywhere: float = 0.0, examiners: int = EXAMINERS) -> BiasModels:
    """Knees whose status is known; the course adds `gain` for the first half of the examiners from P011 on."""
    draw = np.random.default_rng(8)
    examiner, period = draw.integers(0, examiners, N), draw.integers(1, PERIODS + 1, N)
    after = period >= 11
    acute = draw.random(N) < 0.3 + drift * after
    present = draw.random(N) < 0.4
    reached = examiner < examiners / 2
    found = {
        name: draw.random(N) < np.where(present, 0.6 + 0.2 * acute + (everywhere + own * reached) * after, 0.1)
        for name, own in (("lachman", gain), ("anterior_drawer", 0.0))
    }
    frame = pl.DataFrame(
        {
            "examiner": examiner + 1,
            "period": [f"P{one:03}" for one in period],
            "acuity": np.where(acute, "acute", "chronic"),
            **{f"result_{name}": np.where(one, "positive", "negative") for name, one in found.items()},
        }
    )
    people = np.arange(N)
    truth = present.astype(float)
    knees = StatusKnees("acl_tear", frame, people, people, TermList(N).done(), (), np.empty((N, 0)), truth)
    drawn = StatusDraws(people, people, pack(np.repeat(present[:, None], 64, axis=1)), truth, 64, 1)
    model = ConditionModel(knees, (), np.zeros((1, 64)), np.zeros(64), 1.0, 64.0, drawn)
    return BiasModels({"acl_tear": model}, {})


def _table(models: BiasModels, protocol: Protocol) -> pl.DataFrame:
    reached = (models.fitted["acl_tear"].knees.frame["examiner"] <= EXAMINERS / 2).to_numpy()
    return conform("changes", changes_table(models, {"course": reached}, protocol))


def _row(table: pl.DataFrame, maneuver: str, method: str) -> dict[str, Any]:
    return table.filter(maneuver=maneuver, method=method).row(0, named=True)


@pytest.fixture(scope="module")
def taught() -> pl.DataFrame:
    return _table(_models(gain=0.2), _protocol())


@pytest.mark.parametrize("method", ["before_after", "difference_in_differences"])
def test_the_change_is_found_and_the_other_maneuver_left_alone(taught: pl.DataFrame, method: str) -> None:
    row = _row(taught, "lachman", method)
    assert row["verdict"] == "rose"
    assert row["ci_low"] < 0.2 < row["ci_high"]
    assert row["after"] - row["before"] == pytest.approx(row["difference"])
    assert row["status"] == "prespecified"
    other = _row(taught, "anterior_drawer", method)
    assert other["verdict"] in ("about_the_same", "cannot_be_told")
    assert other["expected"] == "no_change"


def test_an_intervention_keeps_its_own_status_where_all_else_has_that_of_the_protocol(taught: pl.DataFrame) -> None:
    work: Any = SimpleNamespace(contract=CONTRACT, protocol=load_protocol({}, CONTRACT))
    assert set(_said(work, "changes", taught)["status"]) == {"prespecified"}
    ended = {"condition": "acl_tear", "maneuver": "lachman", "step": "analysed", "reason": "analysed"}
    flow = table_of("flow", [ended | {"exams": 1, "participants": 1}], status="prespecified")
    assert set(_said(work, "flow", flow)["status"]) == {"exploratory"}


def test_a_time_series_needs_eight_periods_a_side(taught: pl.DataFrame) -> None:
    level, slope = (_row(taught, "lachman", f"interrupted_{name}") for name in ("level", "slope"))
    assert level["ci_low"] < 0.2 < level["ci_high"]
    assert slope["ci_low"] < 0 < slope["ci_high"]
    assert slope["before"] is None
    late = _table(_models(gain=0.2), _protocol(period="P014"))
    assert "interrupted_level" not in late["method"].to_list()


def test_what_changes_for_everybody_is_not_the_course() -> None:
    table = _table(_models(gain=0.0, everywhere=0.15), _protocol())
    assert _row(table, "lachman", "before_after")["verdict"] == "rose"
    assert _row(table, "lachman", "difference_in_differences")["verdict"] in ("about_the_same", "cannot_be_told")


def test_a_drift_of_the_case_mix_is_taken_off_and_shown() -> None:
    models = _models(gain=0.0, drift=0.5)
    row = _row(_table(models, _protocol()), "lachman", "before_after")
    assert row["case_mix_difference"] == pytest.approx(0.1, abs=0.02)
    assert row["ci_low"] < 0 < row["ci_high"]
    frame = models.fitted["acl_tear"].knees.frame
    readings = pl.DataFrame({"period": ["P001", "P012"], "reader": ["R-1", "R-2"], "readings": [3, 5]})
    found = conform("change_context", context_table(frame, models, readings, _protocol()))
    acute = found.filter(about="case_mix", level="acute").row(0, named=True)
    assert acute["after"] - acute["before"] == pytest.approx(0.5, abs=0.04)
    assert found.filter(about="readers").select("before", "after", "n_after").row(0) == (0.0, 1.0, 5)
    assert found.filter(about="examiners")["after"].to_list() == [0.0]


def test_too_few_examiners_or_knees_are_said_and_nothing_is_claimed() -> None:
    two = _table(_models(gain=0.3, examiners=2), _protocol())
    assert set(two["verdict"]) == {"cannot_be_told"}
    early = _table(_models(gain=0.3), _protocol(period="P002", declared=None))
    assert set(early["status"]) == {"exploratory"}
    late = _table(_models(gain=0.3), _protocol(period="P020", left_out_periods=1))
    assert set(late["verdict"]) == {"cannot_be_told"}
    assert late["n_after"].to_list() == [0, 0]
    nobody = BiasModels({}, {})
    table = conform("changes", changes_table(nobody, {"course": np.zeros(N, bool)}, _protocol()))
    assert set(table["note"]) == {"Too few were imaged for this condition."}


def test_only_what_was_declared_is_looked_at(taught: pl.DataFrame) -> None:
    assert set(taught["measure"]) == {"sensitivity"}
    assert set(taught["maneuver"]) == {"lachman", "anterior_drawer"}
    none = replace(_protocol(), interventions=())
    assert conform("changes", changes_table(_models(gain=0.2), {}, none)).is_empty()

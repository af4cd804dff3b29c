"""Conclusions and actions: each action from its threshold alone, and what came of earlier decisions."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import polars as pl
import pytest

from examtally.contracts.contract import Contract
from examtally.contracts.results import empty
from examtally.reporting.actions_page.conclusions import earlier, in_short, keep
from examtally.reporting.audit.accrual import accrual_of
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.next_steps import standing
from examtally.reporting.monthly.actions import Action

ACTION = Action("A-1", "Print the core list", "core_complete", "beyond_limits", "lead physician", "P010")


def row(**changes: Any) -> dict[str, Any]:
    """A row of the leading estimate of Lachman's test."""
    figures = {"sensitivity": 0.8, "specificity": 0.9, "lr_positive": 8.0, "lr_negative": 0.22}
    spans = {
        f"{name}{end}": value * by for name, value in figures.items() for end, by in (("_low", 0.9), ("_high", 1.1))
    }
    words = {"verdict_positive": "helps", "verdict_negative": "rules_out", "basis": "bias_adjusted", "reason": None}
    return {**figures, **spans, **words, **changes}


def audit(contract: Contract, made: dict[str, Any], **tables: pl.DataFrame) -> Audit:
    """One condition with one core maneuver and this row."""
    condition, maneuver = contract.catalogue.conditions["acl_tear"], contract.catalogue.maneuvers["lachman"]
    return cast(
        Audit,
        SimpleNamespace(
            settled=(condition,),
            catalogue=contract.catalogue,
            leading={("acl_tear", "lachman"): made},
            protocol=SimpleNamespace(core=("lachman",)),
            min_participants=10,
            core_maneuvers=lambda _: (maneuver,),
            table=lambda name: tables.get(name, empty(name)),
            tally=lambda *_: {"participants_present": 40, "participants_absent": 90, "window_open": 0, "exams": 0},
            periods=["P001", "P018"],
            models={},
            results=None,
        ),
    )


def table(name: str, **values: Any) -> pl.DataFrame:
    schema = empty(name).schema
    return pl.DataFrame([{**dict.fromkeys(schema), **values}], schema=schema)


SLOPE = {"condition": "acl_tear", "forecast": "examiner_after_exam", "group_by": "overall", "group": "all"}
SLOPE |= {"adjustment": "bias_adjusted", "measure": "slope"}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"verdict_negative": "weak"}, "Do not rule out anterior cruciate ligament tear on negative findings alone."),
        ({"verdict_positive": "no_help", "verdict_negative": "no_help"}, "Do not lean on Lachman test either way."),
        ({"sensitivity": None, "reason": "Most may be wrong."}, "Measure again what is withheld of Lachman test."),
        ({"specificity": None, "reason": "Too few."}, "Measure again what is withheld of Lachman test."),
        ({"sensitivity_low": 0.3, "sensitivity_high": 0.75}, "Measure again before acting on Lachman test."),
    ],
)
def test_each_action_has_its_threshold_its_owner_and_its_date(
    contract: Contract, changes: dict[str, Any], said: str
) -> None:
    found = standing(audit(contract, row(**changes)))
    assert said in [step.what for step in found]
    assert all(step.why and step.who and step.due == "P030" for step in found)


def test_the_interval_that_is_too_wide_is_the_one_that_is_quoted(contract: Contract) -> None:
    (found,) = standing(audit(contract, row(specificity_low=0.4, specificity_high=0.95)))
    assert found.why == "Too wide: specificity of Lachman test 95% CI 40–95%."


@pytest.mark.parametrize(("fitted", "due"), [({}, "P019"), ({"acl_tear": {}}, "P030")])
def test_a_nearer_date_stands_only_where_patients_are_what_is_missing(
    contract: Contract, fitted: dict[str, Any], due: str
) -> None:
    """One patient is missing and one comes a period; where a model was fitted, patients are not what is missing."""
    made = audit(contract, row(sensitivity=None, specificity=None, reason="Too rare here."))
    few = {"participants_present": 9, "participants_absent": 90, "window_open": 0, "exams": 100}
    made.tally = lambda *_: few  # type: ignore[method-assign]
    made.models = fitted  # type: ignore[misc]
    unsafe, found = standing(made)
    assert unsafe.why.startswith("What they leave cannot be said yet: re-examine")
    assert found.due == due
    assert "anterior cruciate ligament tear: too rare here" in found.why.lower()
    assert "patients" not in found.why
    promised = accrual_of(made, "acl_tear", "lachman").when
    assert promised == ("withheld for another reason" if fitted else "in about 1 period")


def test_a_finding_under_its_threshold_asks_for_nothing(contract: Contract) -> None:
    calm = audit(
        contract,
        row(),
        agreement=table("agreement", maneuver="lachman", group_by="overall", statistic="gwet_ac1", estimate=0.6,
                        ci_low=0.5, ci_high=0.7, pairs=50, participants=40),
        calibration=table("calibration", **SLOPE, estimate=0.9, ci_low=0.7, ci_high=1.2, n=90),
    )  # fmt: skip
    assert standing(calm) == []
    assert "no action is asked for" in in_short(calm)


@pytest.mark.parametrize("forecast", ["examiner_after_history", "examiner_after_exam"])
def test_poor_agreement_and_a_verdict_of_the_table_are_actions(contract: Contract, forecast: str) -> None:
    stated = SLOPE | {"forecast": forecast, "verdict": "overconfident"}
    loud = audit(
        contract,
        row(),
        agreement=table("agreement", maneuver="lachman", group_by="overall", statistic="gwet_ac1", estimate=0.59,
                        ci_low=0.5, ci_high=0.7, pairs=50, participants=40),
        calibration=table("calibration", **stated, estimate=0.5, ci_low=0.3, ci_high=0.8, n=90),
    )  # fmt: skip
    assert [step.what for step in standing(loud)] == [
        "Agree on one technique for Lachman test in a session together.",
        "Practice stating the probability of anterior cruciate ligament tear.",
    ]
    assert all(step.what in in_short(loud) for step in standing(loud))


def test_only_a_finding_that_rules_in_or_out_is_kept(contract: Contract) -> None:
    assert "Lachman test: a negative finding rules out" in keep(audit(contract, row()))
    assert "No single finding" in keep(audit(contract, row(verdict_negative="helps")))


def test_what_came_of_earlier_decisions_stands_beside_them() -> None:
    closed = Action("A-0", "Teach the drawer", "yield", "funnel", "lead for teaching", "P002", "Agreement rose", "P006")
    text = earlier((closed, ACTION))
    assert text.index("A-1") < text.index("A-0"), "those still open stand first"
    for words in ("Agreement rose", "P006", "lead physician", "open", "to be set"):
        assert words in text
    assert earlier(()) == "No decision is on file."

"""Conclusions and actions: each kind from its threshold alone, and what came of earlier decisions."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import polars as pl
import pytest

from examtally.contracts.contract import Contract
from examtally.contracts.results import empty
from examtally.reporting.actions_page.conclusions import conclusions, earlier, in_short
from examtally.reporting.audit.audit import Audit
from examtally.reporting.monthly.actions import Action

ACTION = Action("A-1", "Print the core list", "core_complete", "beyond_limits", "lead physician", "P010")


def row(**changes: Any) -> dict[str, Any]:
    """A row of the leading estimate of Lachman's test."""
    figures = {"sensitivity": 0.8, "specificity": 0.9, "lr_positive": 8.0, "lr_negative": 0.22}
    spans = {
        f"{name}{end}": value * by for name, value in figures.items() for end, by in (("_low", 0.9), ("_high", 1.1))
    }
    words = {"verdict_positive": "helps", "verdict_negative": "helps", "basis": "bias_adjusted", "reason": None}
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
            periods=["P001"],
        ),
    )


def table(name: str, **values: Any) -> pl.DataFrame:
    schema = empty(name).schema
    return pl.DataFrame([{**dict.fromkeys(schema), **values}], schema=schema)


SLOPE = {"condition": "acl_tear", "forecast": "examiner_after_exam", "group_by": "overall", "group": "all"}
SLOPE |= {"adjustment": "bias_adjusted", "measure": "slope"}


@pytest.mark.parametrize(
    ("changes", "kind", "said"),
    [
        ({"verdict_positive": "rules_in"}, "keep", "a positive finding rules in"),
        ({"verdict_negative": "rules_out"}, "keep", "a negative finding rules out"),
        ({"verdict_positive": "no_help", "verdict_negative": "no_help"}, "reteach", "not to be leaned on"),
        ({"sensitivity_low": None, "specificity_low": None, "reason": "Most may be wrong."}, "again", "no figure yet"),
        ({"sensitivity_low": None, "reason": "Most may be wrong."}, "again", "no sensitivity yet"),
        ({"specificity_low": None, "reason": "Too few."}, "again", "no specificity yet"),
        ({"sensitivity_low": 0.3, "sensitivity_high": 0.75}, "again", "too wide to act on"),
    ],
)
def test_each_kind_has_its_threshold(contract: Contract, changes: dict[str, Any], kind: str, said: str) -> None:
    (found,) = conclusions(audit(contract, row(**changes)))
    assert found.kind == kind
    assert said in found.what
    assert found.rests
    assert found.owner


def test_the_interval_that_is_too_wide_is_the_one_that_is_quoted(contract: Contract) -> None:
    (found,) = conclusions(audit(contract, row(specificity_low=0.4, specificity_high=0.95)))
    assert found.rests == "Specificity 95% CI 40–95%"


def test_a_finding_under_its_threshold_is_no_conclusion(contract: Contract) -> None:
    calm = audit(
        contract,
        row(),
        agreement=table("agreement", maneuver="lachman", group_by="overall", statistic="gwet_ac1", estimate=0.6,
                        ci_low=0.5, ci_high=0.7, pairs=50, participants=40),
        calibration=table("calibration", **SLOPE, estimate=0.9, ci_low=0.7, ci_high=1.2, n=90),
    )  # fmt: skip
    assert conclusions(calm) == []
    assert "no conclusion to act on" in in_short(calm)


def test_poor_agreement_and_a_verdict_of_the_table_are_conclusions(contract: Contract) -> None:
    loud = audit(
        contract,
        row(),
        agreement=table("agreement", maneuver="lachman", group_by="overall", statistic="gwet_ac1", estimate=0.59,
                        ci_low=0.5, ci_high=0.7, pairs=50, participants=40),
        calibration=table("calibration", **SLOPE, estimate=0.5, ci_low=0.3, ci_high=0.8, n=90, verdict="overconfident"),
    )  # fmt: skip
    assert [(one.kind, one.what) for one in conclusions(loud)] == [
        ("reteach", "stated probabilities of anterior cruciate ligament tear: overconfident"),
        ("standardize", "Lachman test: one technique for all"),
    ]


def test_what_came_of_earlier_decisions_stands_beside_them() -> None:
    closed = Action("A-0", "Teach the drawer", "yield", "funnel", "lead for teaching", "P002", "Agreement rose", "P006")
    text = earlier((closed, ACTION))
    assert text.index("A-1") < text.index("A-0"), "those still open stand first"
    for words in ("Agreement rose", "P006", "lead physician", "open", "to be set"):
        assert words in text
    assert earlier(()) == "No decision is on file."

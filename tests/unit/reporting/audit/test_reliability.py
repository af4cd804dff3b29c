"""How sure the leading figures are: only tests that told something, only claims that the page makes."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import polars as pl
import pytest

from examtally.contracts.contract import Contract
from examtally.contracts.results import empty
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.leading import Lead
from examtally.reporting.audit.reliability import references, unimaged


def audit(contract: Contract, table: str, rows: list[dict[str, Any]]) -> Audit:
    schema = empty(table).schema
    frame = pl.DataFrame([{**dict.fromkeys(schema), **row} for row in rows], schema=schema)
    shift = {"acl_tear": {"delta": -0.3}}
    return cast(Audit, SimpleNamespace(contract=contract, models=shift, table=lambda _: frame))


def accuracy(modality: str, here: float) -> dict[str, Any]:
    """The row of one test: 88% before, and what these knees make of it."""
    before = {"prior": 0.88, "prior_low": 0.7, "prior_high": 0.95, "assumed": False, "both_tests": 0}
    after = {"estimate": here, "ci_low": 0.7, "ci_high": 0.95}
    return {"condition": "acl_tear", "modality": modality, "measure": "sensitivity", **before, **after}


def test_a_test_of_which_these_knees_tell_nothing_has_no_row(contract: Contract) -> None:
    acl = contract.catalogue.conditions["acl_tear"]
    text = references(
        audit(contract, "reference_posterior", [accuracy("mri", 0.91), accuracy("ultrasound", 0.88)]), [acl]
    )
    assert "MRI" in text
    assert "ultrasound" not in text.lower()


@pytest.mark.parametrize(("verdict", "is_claimed"), [("helps", True), ("weak", False), ("too_early", False)])
def test_only_what_the_page_claims_can_turn(contract: Contract, verdict: str, is_claimed: bool) -> None:
    turning = {"condition": "acl_tear", "maneuver": "lachman", "measure": "lr_negative", "statement": "halves_odds"}
    made = audit(contract, "tipping", [{**turning, "parameter": "delta", "value": 0.7}])
    shares = [
        f"{measure}{end}" for measure in ("sensitivity", "specificity") for end in ("", "_as_recorded", "_far_less")
    ]
    row = dict.fromkeys(shares, 0.8) | {"verdict_negative": verdict, "verdict_positive": "helps", "lr_negative": 0.3}
    words = contract.catalogue
    text = unimaged(made, [Lead(words.conditions["acl_tear"], words.maneuvers["lachman"], row)])
    assert ("a negative one at least halves them: at 33%" in text) is is_claimed
    assert ("says 20% did not count as 16%" in text) is is_claimed

"""One condition with every table there is: the clinic of the reports, with maneuvers compared and modelled beside."""

from __future__ import annotations

from pathlib import Path

import pytest
from compared import analyzed, paired
from diagnostic import diagnostic_frame
from leading_rows import with_leading
from shared import shared_folder

from examtally.analytics.diagnostic_models.condition_models import condition_models
from examtally.analytics.diagnostic_models.model_tables import (
    added_value_table,
    decision_curve_table,
    diagnostic_models_table,
    model_terms_table,
)
from examtally.analytics.diagnostic_models.short_table import short_exam_table
from examtally.analytics.test_combinations.joint_tables import combinations_table, dependence_table, patterns_table
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import load_protocol
from examtally.reporting import render_cards, render_conditions
from examtally.reporting.audit.audit import Audit, open_audit
from examtally.resources import resource
from examtally.results import Results

PAIRED = {"present": (36, 12, 2, 10), "absent": (2, 3, 1, 24)}


@pytest.fixture(scope="session")
def told(clinic: Audit, contract: Contract, together: Path) -> Path:
    """A folder with those results, and beside them the page and the card of the cruciate ligament."""
    return shared_folder(together, "told", lambda root: _tell(root, clinic, contract))


def _tell(root: Path, clinic: Audit, contract: Contract) -> None:
    protocol = load_protocol({"modelling": {"bootstrap": 50, "resamples": 100}}, contract)
    frame = diagnostic_frame(300, contract)
    fitted = (condition_models(frame, "acl_tear", contract, protocol),)
    more = {
        "combinations": with_leading(combinations_table(frame, contract, protocol), shift=-0.05),
        "dependence": dependence_table(frame, contract, protocol),
        "patterns": patterns_table(frame, contract, protocol),
        "diagnostic_models": diagnostic_models_table(fitted, protocol),
        "model_terms": model_terms_table(fitted, protocol),
        "added_value": added_value_table(fitted, frame, contract, protocol),
        "decision_curve": with_leading(decision_curve_table(fitted, protocol), shift=-0.01),
        "short_exam": short_exam_table(fitted, frame, contract, protocol, lambda _step: None),
    }
    compared = vars(analyzed(paired(PAIRED), contract))
    compared["comparisons"] = with_leading(compared["comparisons"], shift=0.02)
    results = Results({**clinic.results.tables, **compared, **more}, clinic.results.provenance).write(root / "results")
    render_conditions(results, root / "out", condition="acl_tear")
    render_cards(results, root / "out", condition="acl_tear")


@pytest.fixture(scope="session")
def whole(told: Path) -> Audit:
    """What the cells of those pages read."""
    return open_audit(told / "results", resource("reports"))

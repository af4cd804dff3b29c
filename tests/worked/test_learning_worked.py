"""Charts of learning against worked examples, through the functions and through records."""

from __future__ import annotations

import numpy as np
import pytest
from clinic import Records, connect
from cusum_path import first_signal, path

from examtally.analytics.learning_curves.cusum import lccusum_weights, risk_adjusted_weights
from examtally.analytics.learning_curves.tables import learning_table
from examtally.cohort.cohort import build_cohort
from examtally.cohort.learning_frame import read_learning_frame, read_supervisor_counts
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import load_protocol

FAILING = (3, 9)
CASES = 30
# log(0.90 / 0.75) a success and log(0.10 / 0.25) a failure, never below 0; failures at 3 and 9 (Biau & Porcher 2010)
STEP = 0.1823215567939546
PATH = [STEP, 2 * STEP, 0, *(STEP * number for number in range(1, 6)), 0, *(STEP * number for number in range(1, 22))]


def test_risk_adjusted_weights() -> None:
    """Steiner, Cook, Farewell & Treasure 2000, Biostatistics 1:441-452, risk 0.1 and odds ratios 2 and 1/2."""
    doubled, halved = risk_adjusted_weights(0.1, 2), risk_adjusted_weights(0.1, 0.5)
    assert doubled.failure == pytest.approx(0.5978370007556204, abs=1e-10)
    assert doubled.success == pytest.approx(-0.0953101798043249, abs=1e-10)
    assert halved.failure == pytest.approx(-0.6418538861723948, abs=1e-10)
    assert halved.success == pytest.approx(0.05129329438755048, abs=1e-10)


def test_the_path_of_thirty_cases() -> None:
    scores = path(np.isin(np.arange(1, CASES + 1), FAILING), lccusum_weights(0.10, 0.25))
    assert scores[7] == pytest.approx(0.9116077839697729, abs=1e-10)
    assert scores[-1] == pytest.approx(3.8287526926730453, abs=1e-10)
    assert scores == pytest.approx(PATH, abs=1e-10)
    assert first_signal(scores, 1.25) == 16


def test_the_same_path_from_records(contract: Contract) -> None:
    """A student in thirty periods, one knee each; planned cases that give no limit let the score run on."""
    records = Records().exam("EX999", "PT999", complaint="no", period="P100")
    for case in range(1, CASES + 1):
        exam, person, found = f"EX{case}", f"PT{case}", "negative" if case in FAILING else "positive"
        records.exam(exam, person, examiner_role="student", period=f"P{case:03}").finding(exam, "lachman", found)
        records.reference("acl_tear", "present", 3, participant_id=person)
    levels = {"p_acceptable": 0.10, "p_unacceptable": 0.25, "planned": 50, "outcome": "reference"}
    protocol = load_protocol({"learning": levels}, contract)
    with build_cohort(connect(contract, records), contract, protocol) as cohort:
        table = learning_table(
            read_learning_frame(cohort.con, protocol), read_supervisor_counts(cohort.con, protocol), protocol
        )
    chart = table.filter(maneuver="lachman", among="positive").sort("sequence")
    assert chart["score"].to_numpy() == pytest.approx(PATH, abs=1e-10)
    assert set(chart["state"]) == {"followed"}
    assert chart["true_signal"][0] == pytest.approx(0.73, abs=0.005)

"""The frame of grades and measures: whose rows they are, and what stands beside them."""

from __future__ import annotations

import polars as pl
from clinic import Records, connect

from examtally.cohort.cohort import build_cohort
from examtally.cohort.diagnostic_frame import read_graded_frame
from examtally.cohort.verification_frame import read_verification_frame
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol


def test_places_are_rows_of_the_verification_frame(contract: Contract, protocol: Protocol) -> None:
    records = Records()
    for number in (3, 1, 2):
        records.exam(
            f"EX{number}", f"PT{9 - number}", complaint="yes", other_knee="normal" if number == 1 else "unknown"
        )
        records.finding(f"EX{number}", "lachman", "positive" if number == 2 else "negative", grade=number - 1)
        records.reference("acl_tear", "present", 5, participant_id=f"PT{9 - number}")
    records.finding("EX1", "pivot_shift", "equivocal", grade=1)
    records.finding("EX2", "valgus_stress_30", "negative", pain="yes", end_point="unknown", done_order=2)
    records.exam("EX9", "PT8", side="right", complaint="no")
    records.finding("EX9", "lachman", "negative", measure=1.5)
    records.exam("EX10", "PT99", period="2022-01")
    with build_cohort(connect(contract, records), contract, protocol) as cohort:
        frame = read_graded_frame(cohort.con, contract)
        knees = read_verification_frame(cohort.con, cohort.groupings, contract, protocol)
    assert frame.select("place", "maneuver", "grade").rows() == [
        (0, "lachman", 2), (1, "lachman", 1), (2, "lachman", 0), (1, "valgus_stress_30", None),
    ]  # fmt: skip
    found = knees["result_lachman"].to_list()
    assert found == ["negative", "positive", "negative", "not_recorded"]
    assert frame.filter(maneuver="lachman").sort("place")["other_measure"].to_list() == [None, None, 1.5]
    assert frame.filter(maneuver="lachman").sort("place")["other_is_normal"].to_list() == [False, False, True]
    assert frame.filter(maneuver="valgus_stress_30").select("pain", "end_point", "done_order").rows() == [
        ("yes", None, 2)
    ]
    assert isinstance(frame.schema["sign"], pl.Enum)

"""What a case review opens: a knee that can be straightened is no missed meniscus tear."""

from __future__ import annotations

import polars as pl
import pytest
from clinic import Records, connect

from examtally.cohort.cohort import build_cohort
from examtally.cohort.contradictions import read_contradictions
from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.protocol.protocol import load_protocol


@pytest.fixture(scope="module")
def contract() -> Contract:
    """The knee."""
    return load_contract()


def contradictions(contract: Contract, maneuver: str, finding: str, condition: str, status: str) -> pl.DataFrame:
    """Those of one exam with one finding, whose knee had a scan in time."""
    records = Records().exam("EX1", "PT1").finding("EX1", maneuver, finding)
    records.reference(condition, status, participant_id="PT1", modality="mri")
    if condition == "medial_meniscus_tear":
        records.reference("lateral_meniscus_tear", "absent", participant_id="PT1", modality="mri")
    records.exam("EX0", "PT0", period="2024-01")  # every window has closed
    protocol = load_protocol({}, contract)
    with build_cohort(connect(contract, records), contract, protocol) as cohort:
        return read_contradictions(cohort.con, contract, protocol)


@pytest.mark.parametrize(
    ("maneuver", "finding", "condition", "status", "count"),
    [
        ("lachman", "negative", "acl_tear", "present", 1),
        ("lachman", "positive", "acl_tear", "absent", 1),
        ("lachman", "positive", "acl_tear", "present", 0),
        ("medial_joint_line_tenderness", "negative", "medial_meniscus_tear", "present", 1),
        # most torn menisci let the knee straighten
        ("extension_deficit", "negative", "medial_meniscus_tear", "present", 0),
        ("extension_deficit", "positive", "medial_meniscus_tear", "absent", 1),
        ("extension_deficit", "positive", "medial_meniscus_tear", "present", 0),
    ],
)
def test_a_contradiction_is_a_finding_that_the_reference_denies(
    contract: Contract, maneuver: str, finding: str, condition: str, status: str, count: int
) -> None:
    found = contradictions(contract, maneuver, finding, condition, status)
    assert found.height == count
    assert found["maneuver"].to_list() == [maneuver] * count


def test_only_a_negative_extension_deficit_is_silent(contract: Contract) -> None:
    silent = [code for code, one in contract.catalogue.maneuvers.items() if one.silent_when_negative]
    assert silent == ["extension_deficit"]

"""The frame behind the verification models holds the same knees as the tallies."""

from __future__ import annotations

import polars as pl
import pytest
from clinic import Records, connect, small_contract
from random_clinic import random_clinic

from examtally.cohort.cohort import build_cohort
from examtally.cohort.verification_frame import RECORDED, read_verification_frame, verification_groups
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import load_protocol

CONTRACT = small_contract()
CELLS = {
    "tp": ("positive", "present"), "fp": ("positive", "absent"),
    "fn": ("negative", "present"), "tn": ("negative", "absent"),
    "unverified_positive": ("positive", "unverified"), "unverified_negative": ("negative", "unverified"),
    "indeterminate_positive": ("positive", "indeterminate"), "indeterminate_negative": ("negative", "indeterminate"),
}  # fmt: skip


def frame_of(records: Records, **protocol: object) -> tuple[pl.DataFrame, pl.DataFrame, tuple[str, ...]]:
    resolved = load_protocol(protocol, CONTRACT)
    with build_cohort(connect(CONTRACT, records), CONTRACT, resolved) as cohort:
        frame = read_verification_frame(cohort.con, cohort.groupings, CONTRACT, resolved)
        return frame, cohort.tallies(), verification_groups(cohort.groupings)


@pytest.mark.parametrize(("seed", "equivocal"), [(1, "excluded"), (2, "positive"), (3, "negative")])
def test_every_count_is_that_of_the_tallies(seed: int, equivocal: str) -> None:
    frame, tallies, group_bys = frame_of(random_clinic(seed, CONTRACT, people=60), equivocal=equivocal)
    compared = 0
    for row in tallies.iter_rows(named=True):
        condition = row["condition"]
        if f"status_{condition}" not in frame.columns or row["group_by"] == "examiner":
            continue
        knees = frame.filter(pl.col(f"index_{condition}") & pl.col(f"status_{condition}").is_not_null())
        if row["group_by"] != "overall":
            assert row["group_by"] in group_bys
            knees = knees.filter(pl.col(row["group_by"]) == row["group"])
        result, status = pl.col(f"result_{row['maneuver']}"), pl.col(f"status_{condition}")
        for name, (finding, said) in CELLS.items():
            assert knees.filter(result == finding, status == said).height == row[name], (row, name)
            compared += row[name]
        not_recorded = knees.filter(result == "not_recorded").height
        assert not_recorded == row["not_recorded"]
    assert compared > 1000


def test_examiners_first_exams_are_there_for_pooling_but_not_index() -> None:
    records = Records()
    for number, examiner in enumerate(("E1", "E2", "E2"), 1):
        records.exam(f"EX{number}", examiner_id=examiner, day=number).finding(f"EX{number}", "drawer")
    records.exam("EX9", "PT9", period="2024-12").add(
        "impressions", exam_id="EX1", condition="ligament", stage="after_exam", probability=0.25
    )
    frame, _, _ = frame_of(records)
    ours = frame.filter(participant=1)
    assert ours["index_ligament"].to_list() == [True, False]
    assert ours["status_ligament"].to_list() == ["unverified", "unverified"]
    assert ours["impression_ligament"].to_list() == [0.25, None]
    assert ours["result_drawer"].to_list() == ["positive", "positive"]
    assert ours["examiner"].n_unique() == 2


def test_every_maneuver_of_a_large_catalogue_keeps_its_own_result() -> None:
    contract = load_contract()
    maneuvers = list(contract.catalogue.maneuvers)
    assert len(maneuvers) > 40, "more than two whole numbers hold"
    records = Records()
    said = {}
    for start in range(5):
        exam = f"EX{start}"
        records.exam(exam, f"PT{start}", period="2024-01")
        said[exam] = [RECORDED[(place + place // 7 + start) % 5] for place in range(len(maneuvers))]
        for maneuver, result in zip(maneuvers, said[exam], strict=True):
            if result != "not_recorded":
                records.finding(exam, maneuver, result)
    records.exam("EX9", "PT9", period="2024-12")
    resolved = load_protocol({}, contract)
    with build_cohort(connect(contract, records), contract, resolved) as cohort:
        frame = read_verification_frame(cohort.con, cohort.groupings, contract, resolved)
    found = frame.select(f"result_{m}" for m in maneuvers).head(len(said))
    assert [list(row) for row in found.iter_rows()] == list(said.values())


def test_a_registry_without_records_gives_no_rows() -> None:
    frame, _, _ = frame_of(Records())
    assert frame.height == 0


def graded(records: Records, condition: str = "acl_tear") -> list[str | None]:
    contract = load_contract()
    resolved = load_protocol({}, contract)
    with build_cohort(connect(contract, records), contract, resolved) as cohort:
        frame = read_verification_frame(cohort.con, cohort.groupings, contract, resolved)
    return frame.filter(participant=1)[f"severity_{condition}"].to_list()


def examined(maneuver: str = "lachman") -> Records:
    newest = Records().exam("EX9", "PT9", period="2024-12")
    return newest.exam("EX1").finding("EX1", maneuver)


@pytest.mark.parametrize(
    ("readings", "severity"),
    [
        ([], None),
        ([("mri", 5, "present", None)], None),
        ([("mri", 5, "present", "partial")], "partial"),
        ([("mri", 5, "present", "partial"), ("arthroscopy", 9, "present", "complete")], "complete"),
        ([("mri", 5, "present", "partial"), ("arthroscopy", 9, "present", None)], "partial"),
        ([("mri", 5, "present", "partial"), ("arthroscopy", 9, "absent", None)], None),
        ([("mri", 5, "present", "complete"), ("mri", 6, "present", "partial")], "partial"),
        ([("mri", 500, "present", "complete"), ("mri", 6, "present", "partial")], "partial"),
        ([("radiograph", 5, "present", "complete"), ("mri", 6, "present", "partial")], "partial"),
    ],
)
def test_the_reading_that_settled_a_condition_says_how_severe_it_was(
    readings: list[tuple[str, int, str, str | None]], severity: str | None
) -> None:
    records = examined()
    for modality, day, status, degree in readings:
        records.reference("acl_tear", status, day, modality, severity=degree)
    assert graded(records) == [severity]


def test_either_meniscus_says_how_severe_a_tear_of_any_was() -> None:
    records = examined("thessaly_medial")
    records.reference("medial_meniscus_tear", "present", 5, severity="not_displaced")
    assert graded(records, "meniscal_tear") == ["not_displaced"]
    records.reference("lateral_meniscus_tear", "present", 5, severity="displaced")
    assert graded(records, "meniscal_tear") == ["displaced"]
    assert graded(records, "medial_meniscus_tear") == ["not_displaced"]

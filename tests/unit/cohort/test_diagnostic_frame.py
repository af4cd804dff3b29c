"""The frame behind combinations and models holds the same knees as the tallies, and what was told and found in each."""

from __future__ import annotations

import polars as pl
import pytest
from clinic import Records, connect, small_contract
from random_clinic import random_clinic

from examtally.cohort.cohort import build_cohort
from examtally.cohort.diagnostic_frame import read_diagnostic_frame
from examtally.contracts.protocol.protocol import load_protocol

CONTRACT = small_contract()
CELLS = {"tp": ("positive", True), "fp": ("positive", False), "fn": ("negative", True), "tn": ("negative", False)}


def frame_of(records: Records, **protocol: object) -> tuple[pl.DataFrame, pl.DataFrame]:
    resolved = load_protocol(protocol, CONTRACT)
    with build_cohort(connect(CONTRACT, records), CONTRACT, resolved) as cohort:
        return read_diagnostic_frame(cohort.con, CONTRACT, resolved), cohort.tallies()


@pytest.mark.parametrize(("seed", "equivocal"), [(1, "excluded"), (2, "positive"), (3, "negative")])
def test_every_table_is_that_of_the_tallies(seed: int, equivocal: str) -> None:
    frame, tallies = frame_of(random_clinic(seed, CONTRACT, people=150), equivocal=equivocal)
    compared = 0
    for row in tallies.filter(group_by="overall").iter_rows(named=True):
        if f"present_{row['condition']}" not in frame.columns:
            continue
        for name, (result, present) in CELLS.items():
            column = pl.col(f"result_{row['maneuver']}")
            assert frame.filter(column == result, pl.col(f"present_{row['condition']}") == present).height == row[name]
            compared += row[name]
    assert compared > 50


def test_history_mechanism_age_and_stated_probabilities_stand_beside() -> None:
    records = Records().exam("EX1", mechanism="twist", days_since_onset=4).finding("EX1", "drawer")
    records.add("participants", participant_id="PT1", age_years=31).add(
        "history", exam_id="EX1", item="pop", answer="yes"
    )
    records.reference("ligament", "present").exam("EX9", "PT9", period="2024-12")
    for stage, probability in (("after_history", 0.2), ("after_exam", 0.75)):
        records.add("impressions", exam_id="EX1", condition="ligament", stage=stage, probability=probability)
    frame, _ = frame_of(records)
    (row,) = frame.to_dicts()
    told = ("participant", "age_years", "days_since_onset", "mechanism", "history_pop", "result_drawer", "result_tap")
    assert [row[name] for name in told] == [0, 31, 4, "twist", "yes", "positive", "not_recorded"]
    assert (row["after_history_ligament"], row["after_exam_ligament"]) == (0.2, 0.75)
    assert (row["present_ligament"], row["present_medial"]) == (True, None)


def test_a_knee_without_an_answer_is_not_in_it_and_what_was_not_told_is_not_recorded() -> None:
    records = Records().exam("EX1").exam("EX2", "PT2").reference("ligament", "absent", participant_id="PT2")
    records.exam("EX9", "PT9", period="2024-12")
    frame, _ = frame_of(records)
    assert frame["history_pop"].to_list() == ["not_recorded"]
    assert frame["mechanism"].to_list() == ["unknown"]
    assert frame["age_years"].to_list() == [None]


def test_a_registry_without_records_gives_no_rows() -> None:
    assert frame_of(Records())[0].height == 0

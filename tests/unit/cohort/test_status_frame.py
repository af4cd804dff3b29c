"""What tells of a knee beside its index exam: readings in the window, other hands that day, visits before imaging."""

from __future__ import annotations

import polars as pl
from clinic import Records, connect, small_contract

from examtally.cohort.cohort import build_cohort
from examtally.cohort.status_frame import StatusFrames, read_status_frames
from examtally.cohort.verification_frame import read_verification_frame
from examtally.contracts.protocol.protocol import load_protocol

CONTRACT = small_contract()
NEWEST = "2026-06"


def frames_of(records: Records) -> StatusFrames:
    """The frames; a comparison knee in the newest month closes every window."""
    protocol = load_protocol(None, CONTRACT)
    records.exam("EX99", "PT99", period=NEWEST, complaint="no")
    with build_cohort(connect(CONTRACT, records), CONTRACT, protocol) as cohort:
        frames = read_status_frames(cohort.con, CONTRACT, protocol)
        verification = read_verification_frame(cohort.con, cohort.groupings, CONTRACT, protocol)
    assert frames.exams.height == verification.height
    return frames


def test_readings_count_inside_the_window_and_contradictions_say_nothing() -> None:
    records = Records()
    for number, (day, status) in enumerate([(5, "present"), (70, "present"), (9, "absent"), (9, "indeterminate")], 1):
        records.exam(f"EX{number}", f"PT{number}").reference("ligament", status, day, participant_id=f"PT{number}")
    records.exam("EX5", "PT5")
    for day, status, modality in ((3, "present", "mri"), (8, "absent", "mri"), (20, "present", "arthroscopy")):
        records.reference("ligament", status, day, modality, "PT5")
    found = frames_of(records).readings.filter(condition="ligament").select("row", "modality", "present").rows()
    assert found == [(0, "mri", True), (2, "mri", False), (4, "arthroscopy", True), (4, "mri", None)]


def test_other_hands_that_day_and_visits_before_the_reading_are_summed_apart() -> None:
    records = Records()
    records.exam("EX1", day=0, examiner_order=1).finding("EX1", "drawer")
    records.exam("EX2", day=0, examiner_id="E2", examiner_order=2, episode=2).finding("EX2", "drawer", "negative")
    records.exam("EX3", day=7, examiner_id="E3").finding("EX3", "drawer")
    records.exam("EX4", day=30, examiner_id="E4").finding("EX4", "drawer")
    records.exam("EX5", day=7, examiner_id="E5", side="right").finding("EX5", "drawer")
    records.reference("ligament", "present", 10)
    records.add("impressions", exam_id="EX3", condition="ligament", stage="after_exam", probability=0.5)
    others = frames_of(records).others.filter(condition="ligament", row=0)
    same_day, later = (others.filter(visit=visit).to_dicts() for visit in ("same_day", "later"))
    assert [(row["positive"], row["negative"], row["stated"]) for row in same_day] == [(0, 1, 0)]
    assert [(row["positive"], row["negative"], row["stated"], row["odds"]) for row in later] == [(1, 0, 1, 0.0)]


def test_history_and_person_stand_beside_each_exam() -> None:
    records = Records().exam("EX1").exam("EX2", "PT2").add("history", exam_id="EX1", item="pop", answer="yes")
    exams = frames_of(records.add("participants", participant_id="PT1", age_years=31)).exams
    assert exams.select("age_years", "history_pop").rows()[:2] == [(31, "yes"), (None, "not_recorded")]
    assert exams["knee"].to_list()[:2] == [0, 1]
    assert exams.filter(pl.col("index")).height == 2

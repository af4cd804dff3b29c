"""Which of a learner's findings make a case, and what each is held against."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest
from clinic import Records
from ends import cohort_of

from examtally.cohort.learning_frame import read_learning_frame, read_supervisor_counts
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import load_protocol

TABLE = ("condition", "maneuver", "examiner_id", "positive", "failed")


def _cases(records: Records, outcome: str = "reference", **changes: Any) -> pl.DataFrame:
    protocol = load_protocol({"learning": {"outcome": outcome}} | changes, load_contract())
    with cohort_of(records, **changes) as cohort:
        return read_learning_frame(cohort.con, protocol)


def _learner(found: str = "positive", status: str | None = "present", **more: Any) -> Records:
    """A student's drawer, and what a reading said of the ligament."""
    records = Records().exam("EX1", examiner_role="student", **more).finding("EX1", "drawer", found)
    return records if status is None else records.reference("ligament", status, 5)


def _supervised(found: str, other: str, **more: Any) -> Records:
    """The same knee on the same day by an attending, with no reading."""
    second = {"examiner_id": "E2", "examiner_role": "attending"} | more
    return _learner(found, None).exam("EX2", **second).finding("EX2", "drawer", other)


@pytest.mark.parametrize(
    ("found", "status", "positive", "failed"),
    [
        ("positive", "present", True, False),
        ("negative", "present", True, True),
        ("positive", "absent", False, True),
        ("negative", "absent", False, False),
    ],
)
def test_a_finding_fails_where_it_differs_from_the_reference(
    found: str, status: str, positive: bool, failed: bool
) -> None:
    cases = _cases(_learner(found, status))
    assert cases.select(TABLE).rows() == [("ligament", "drawer", "E1", positive, failed)]
    assert cases["outcome"].to_list() == ["reference"]


@pytest.mark.parametrize(
    "records",
    [
        _learner("equivocal"),
        _learner(status=None),
        _learner(status="indeterminate"),
        _learner(complaint="no"),
        _learner(period="2020-12"),
        _learner().exam("EX0", day=-1, examiner_role="student"),
    ],
    ids=["equivocal", "unverified", "indeterminate", "comparison", "open", "not the first"],
)
def test_what_is_not_in_the_2x2_table_is_no_case(records: Records) -> None:
    assert _cases(records).is_empty()


def test_an_equivocal_finding_counts_as_the_protocol_says() -> None:
    assert _cases(_learner("equivocal"), equivocal="positive")["failed"].to_list() == [False]
    against = _cases(_supervised("equivocal", "negative"), "supervisor", equivocal="positive")
    assert against["failed"].to_list() == [True]


def test_only_roles_that_learn_have_cases() -> None:
    records = _learner()
    assert _cases(records, agreement={"learners": ["resident"]}).is_empty()
    assert _cases(records, agreement={"learners": []}).is_empty()


@pytest.mark.parametrize(
    ("found", "other"), [("positive", "positive"), ("positive", "negative"), ("negative", "positive")]
)
def test_a_finding_fails_where_it_differs_from_the_supervisor(found: str, other: str) -> None:
    cases = _cases(_supervised(found, other), "supervisor")
    assert cases.select(TABLE).rows() == [("ligament", "drawer", "E1", other == "positive", found != other)]


@pytest.mark.parametrize(
    "more",
    [{"day": 1}, {"side": "right"}, {"episode": 2}, {"examiner_role": "resident"}, {"other_exam_known": "yes"}],
    ids=["another day", "another knee", "another episode", "another learner", "knew the finding"],
)
def test_only_an_independent_exam_of_the_same_knee_and_day_by_a_supervisor_counts(more: dict[str, Any]) -> None:
    assert _cases(_supervised("positive", "positive"), "supervisor").height == 1
    assert _cases(_supervised("positive", "positive", **more), "supervisor").is_empty()


def test_a_learner_who_knew_the_supervisors_finding_has_no_case() -> None:
    records = _supervised("positive", "positive")
    records.rows("exams")[0]["other_exam_known"] = "yes"
    assert _cases(records, "supervisor").is_empty()


def test_of_several_supervisors_the_first_counts_whatever_it_recorded() -> None:
    records = _supervised("positive", "positive", examiner_order=3)
    records.exam("EX3", examiner_id="E3", examiner_role="attending", examiner_order=2)
    assert _cases(records, "supervisor").is_empty(), "E3 was first and has no drawer"
    assert _cases(records.finding("EX3", "drawer", "negative"), "supervisor")["failed"].to_list() == [True]


def test_maneuvers_that_no_test_settles_can_be_held_against_a_supervisor() -> None:
    records = _supervised("positive", "positive")
    for exam in ("EX1", "EX2"):
        records.finding(exam, "squeeze", "negative").finding(exam, "gait", "positive")
    cases = _cases(records, "supervisor")
    assert cases.select("condition", "maneuver", "failed").rows() == [
        *(("ligament", "drawer", False), ("none", "gait", False), ("syndrome", "squeeze", False))
    ]
    assert _cases(records).is_empty()


def test_both_outcomes_stand_beside_each_other() -> None:
    records = _supervised("positive", "negative").reference("ligament", "present", 5)
    assert _cases(records, "both").select("outcome", "failed").rows() == [("reference", False), ("supervisor", True)]


def test_periods_are_in_order_and_nobody_or_nothing_is_an_empty_frame() -> None:
    records = _learner(period="P002")
    for number, period in ((2, "P1000"), (3, "P200")):
        records.exam(f"EX{number}", f"PT{number}", examiner_role="student", period=period)
        records.finding(f"EX{number}", "drawer").reference("ligament", "present", 1, participant_id=f"PT{number}")
    records.exam("EXLAST", "PTLAST", complaint="no", period="P2000")
    assert _cases(records).sort("place").select("period", "place").rows() == [("P002", 1), ("P200", 2), ("P1000", 3)]
    assert _cases(Records()).is_empty()


def test_supervisors_are_counted_by_side_against_the_reference() -> None:
    records = Records()
    for number, (found, status) in enumerate(
        [("positive", "present"), ("negative", "present"), ("negative", "absent"), ("positive", "absent")]
    ):
        exam, person = f"EX{number}", f"P{number}"
        records = records.exam(exam, participant_id=person, examiner_role="attending").finding(exam, "drawer", found)
        records = records.reference("ligament", status, 5, participant_id=person)
    protocol = load_protocol({}, load_contract())
    with cohort_of(records) as cohort:
        counts = read_supervisor_counts(cohort.con, protocol)
    assert counts.select("positive", "cases", "failures", "participants").sort("positive").rows() == [
        (False, 2, 1, 2),
        (True, 2, 1, 2),
    ]

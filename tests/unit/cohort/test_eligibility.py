"""Which exams may count, and which of an episode's exams does."""

from __future__ import annotations

import hashlib
from typing import Any

import pytest
from clinic import Records
from ends import cohort_of, ends, tally


@pytest.mark.parametrize(
    ("field", "value", "reason"),
    [
        ("complaint", "no", "comparison_knee"),
        ("setting", "operating_room", "operating_room"),
        ("prior_surgery", "yes", "prior_surgery"),
        ("reference_known", "yes", "reference_known"),
    ],
)
def test_an_exam_drops_out_for_what_it_says_of_itself(field: str, value: str, reason: str) -> None:
    records = Records().exam("EX1", **{field: value}).finding("EX1", "drawer").reference("ligament", "present", 5)
    assert ends(records) == {reason: 1}
    assert ends(records, "none", "gait") == {reason: 1}


def test_unknown_stays_in() -> None:
    fields = dict.fromkeys(("complaint", "setting", "prior_surgery", "reference_known"), "unknown")
    records = Records().exam("EX1", **fields).finding("EX1", "drawer").reference("ligament", "present", 5)
    assert ends(records) == {"analysed": 1}


def test_the_first_reason_that_applies_counts() -> None:
    fields = {"setting": "operating_room", "prior_surgery": "yes", "reference_known": "yes"}
    records = Records().exam("EX1", day=5, **fields).reference("ligament", "present", 0, "arthroscopy")
    assert ends(records) == {"operating_room": 1}
    assert ends(records, eligibility={"exclude_settings": []}) == {"prior_surgery": 1}
    assert ends(records, eligibility={"exclude_settings": [], "exclude_prior_surgery": False}) == {"reference_known": 1}


def test_surgery_before_the_exam_bars_every_condition_of_that_episode_only() -> None:
    records = Records().exam("EX1", day=5).exam("EX2", day=5, episode=2).exam("EX3", day=5, side="right")
    records.reference("medial", "present", 4, "arthroscopy")
    for condition, maneuver in (("fluid", "tap"), ("syndrome", "squeeze"), ("none", "gait")):
        assert ends(records, condition, maneuver)["after_surgery"] == 1
    assert ends(records)["not_recorded"] == 2


def test_a_reading_of_the_same_day_is_allowed() -> None:
    records = Records().exam("EX1", day=5).finding("EX1", "drawer").finding("EX1", "tap")
    records.reference("ligament", "present", 5, "arthroscopy").reference("fluid", "absent", 5, "mri")
    assert ends(records) == {"analysed": 1}
    assert ends(records, "fluid", "tap") == {"analysed": 1}


def test_a_reading_of_the_same_day_bars_nothing_even_where_the_window_begins_later() -> None:
    records = Records().exam("EX1", day=5).finding("EX1", "drawer").reference("ligament", "present", 5, "mri")
    assert ends(records, windows={"ligament": [1, 90]}) == {"outside_window": 1}
    assert ends(records, windows={"ligament": [0, 90]}) == {"analysed": 1}


def test_a_reading_bars_the_conditions_its_modality_settles_whatever_it_speaks_of() -> None:
    records = Records().exam("EX1", day=5).reference("fluid", "absent", 4, "mri")
    assert ends(records) == {"after_reference": 1}
    assert ends(records, "meniscus", "inner_line") == {"after_reference": 1}
    assert ends(records, "arthritis", "tap") == {"not_recorded": 1}
    assert ends(records, eligibility={"exclude_after_reference": False}) == {"not_recorded": 1}


def test_narrowing_the_reference_does_not_unsay_an_earlier_reading() -> None:
    records = Records().exam("EX1", day=5).reference("ligament", "absent", 4, "mri")
    assert ends(records, reference={"accepted": {"ligament": ["arthroscopy"]}}) == {"after_reference": 1}


@pytest.mark.parametrize(("day", "reason"), [(-50, "analysed"), (-51, "after_reference"), (130, "analysed")])
def test_a_window_that_begins_before_the_exam_allows_an_earlier_reading_inside_it(day: int, reason: str) -> None:
    records = Records().exam("EX1").finding("EX1", "tap").reference("arthritis", "present", day, "radiograph")
    assert ends(records, "arthritis", "tap") == {reason: 1}


def _two_exams(first: dict[str, Any], second: dict[str, Any]) -> Records:
    """Two exams of one episode by E1 and E2, of which only the one called EX1 recorded the drawer."""
    return Records().exam("EX1", **first).exam("EX2", **{"examiner_id": "E2"} | second).finding("EX1", "drawer")


@pytest.mark.parametrize(
    ("first", "second", "is_first"),
    [
        ({"day": 1}, {"day": 2}, True),
        ({"day": 2}, {"day": 1}, False),
        ({"day": 1, "examiner_order": 2}, {"day": 1, "examiner_order": 1}, False),
        ({"day": 1, "examiner_order": 1}, {"day": 1, "examiner_order": None}, True),
        ({"day": 1, "examiner_order": None}, {"day": 2, "examiner_order": 1}, True),
        ({"day": 1, "complaint": "no"}, {"day": 2}, False),
    ],
)
def test_the_first_eligible_exam_of_an_episode_is_its_index_exam(
    first: dict[str, Any], second: dict[str, Any], is_first: bool
) -> None:
    found = ends(_two_exams(first, second))
    assert ("not_verified" in found) == is_first
    assert sum(found.values()) == 2


def test_a_tie_goes_by_the_md5_of_the_identifier_and_is_counted() -> None:
    records = _two_exams({}, {})
    is_first = hashlib.md5(b"EX1").hexdigest() < hashlib.md5(b"EX2").hexdigest()
    assert ("not_verified" in ends(records)) == is_first
    with cohort_of(records) as cohort:
        assert cohort.summary().filter(item="index_ties")["value"].to_list() == [1]
    with cohort_of(_two_exams({"examiner_order": 1}, {})) as cohort:
        assert cohort.summary().filter(item="index_ties")["value"].to_list() == [0]


def test_the_index_exam_differs_between_conditions_with_the_readings_before_it() -> None:
    records = Records().exam("EX1", day=0, complaint="no").exam("EX2", day=4).exam("EX3", day=9)
    records.reference("arthritis", "absent", 5, "ultrasound")
    assert ends(records) == {"comparison_knee": 1, "not_recorded": 1, "not_index_exam": 1}
    assert ends(records, "fluid", "tap") == {"comparison_knee": 1, "not_recorded": 1, "after_reference": 1}


def test_the_index_exam_is_chosen_whether_or_not_the_maneuver_was_done_or_the_knee_imaged() -> None:
    records = Records().exam("EX1").finding("EX1", "drawer", "not_done").exam("EX2", day=61).finding("EX2", "drawer")
    records.reference("ligament", "present", 100)
    assert ends(records) == {"not_done": 1, "not_index_exam": 1}


def test_each_examiner_has_an_own_first_exam() -> None:
    records = Records().exam("EX1").exam("EX2", day=1, examiner_id="E2").exam("EX3", day=2, examiner_id="E2")
    records.finding("EX1", "drawer").finding("EX2", "drawer", "negative").finding("EX3", "drawer")
    records.reference("ligament", "present", 5)
    overall, second = tally(records), tally(records, "examiner", "E2")
    assert (overall["tp"], overall["fn"], overall["exams"]) == (1, 0, 1)
    assert (second["tp"], second["fn"], second["exams"]) == (0, 1, 1)


def test_comparison_knees_never_reach_a_table() -> None:
    records = Records().exam("EX1").finding("EX1", "drawer").reference("ligament", "present", 5)
    alone = tally(records)
    records.exam("EX2", side="right", complaint="no").finding("EX2", "drawer", "negative")
    records.reference("ligament", "absent", 5, side="right")
    assert tally(records) == alone
    assert tally(records, eligibility={"exclude_comparison_knees": False})["tn"] == 1
    with cohort_of(records) as cohort:
        assert cohort.forecasts().is_empty()
        assert cohort.tallies()["tn"].sum() == 0


@pytest.mark.parametrize(("last", "left", "outside"), [(0, 3, 0), (1, 1, 3), (2, 2, 2), (9, 3, 1)])
def test_only_the_newest_mature_periods_are_taken(last: int, left: int, outside: int) -> None:
    records = Records()
    for number, period in enumerate(("P001", "P002", "P003", "P030")):
        records.exam(f"EX{number}", participant_id=f"P{number}", period=period).finding(f"EX{number}", "drawer")
    found = ends(records, eligibility={"last_periods": last})
    assert found.get("outside_population", 0) == outside
    assert found.get("not_verified", 0) == left

"""Which two exams of a knee-episode make a pair, and under which groups a pair stands."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest
from clinic import Records
from ends import cohort_of

from examtally.cohort.pairs import read_pairs
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import load_protocol


def _pairs(records: Records, group_by: str = "overall", *, persons: bool = False, **changes: Any) -> pl.DataFrame:
    protocol = load_protocol(changes, load_contract())
    with cohort_of(records) as cohort:
        frame = read_pairs(cohort.con, protocol, with_examiners=persons)
    return frame.filter(group_by=group_by)


def _two(first: str = "positive", second: str = "negative", day: int = 3, **more: Any) -> Records:
    """E1 on day 0 and E2 later on one left knee, both with the drawer."""
    records = Records().exam("EX1").exam("EX2", day=day, **{"examiner_id": "E2", **more})
    return records.finding("EX1", "drawer", first).finding("EX2", "drawer", second)


def test_two_examiners_of_one_episode_make_a_pair_the_first_exam_first() -> None:
    (row,) = _pairs(_two()).iter_rows(named=True)
    assert (row["maneuver"], row["group"], row["a"], row["b"]) == ("drawer", "all", 1, 0)
    assert row["unknown"]


@pytest.mark.parametrize(("day", "pairs"), [(14, 1), (15, 0)])
def test_exams_too_far_apart_make_none(day: int, pairs: int) -> None:
    assert _pairs(_two(day=day)).height == pairs
    assert _pairs(_two(day=day), agreement={"max_days": 20}).height == 1


def test_a_known_colleague_leaves_the_exam_out_and_a_stated_no_is_not_unknown() -> None:
    assert _pairs(_two(other_exam_known="yes")).is_empty()
    told = _two(other_exam_known="no")
    told.rows("exams")[0]["other_exam_known"] = "no"
    assert not _pairs(told)["unknown"].any()


def test_the_exams_nearest_in_days_are_the_pair_whether_or_not_the_maneuver_was_done() -> None:
    records = _two(day=9).exam("EX3", day=8, examiner_id="E1").finding("EX3", "gait", "negative")
    assert _pairs(records).is_empty(), "EX3 and EX2 are the pair, and EX3 has no drawer"
    assert _pairs(records.finding("EX3", "drawer", "negative")).select("a", "b").rows() == [(0, 0)]


def test_of_pairs_as_near_the_earliest_counts() -> None:
    records = _two(day=3).exam("EX3", day=6, examiner_id="E1").finding("EX3", "drawer", "negative")
    assert _pairs(records).select("a", "b").rows() == [(1, 0)]


def test_other_knees_and_other_episodes_make_no_pair() -> None:
    assert _pairs(_two(side="right")).is_empty()
    assert _pairs(_two(episode=2)).is_empty()


def test_comparison_knees_and_open_windows_take_part_and_operating_rooms_do_not() -> None:
    assert _pairs(_two(complaint="no", period="2020-12")).height == 1
    assert _pairs(_two(setting="operating_room")).is_empty()
    assert _pairs(_two(reference_known="yes")).is_empty()


def test_equivocal_findings_make_no_pair() -> None:
    assert _pairs(_two(second="equivocal")).is_empty()


def test_one_examiner_twice_stands_apart() -> None:
    twice = _two(examiner_id="E1")
    assert _pairs(twice).is_empty()
    assert _pairs(twice, "same_examiner").select("a", "b").rows() == [(1, 0)]


@pytest.mark.parametrize(("roles", "calls"), [(("attending", "student"), (0, 1)), (("resident", "attending"), (1, 0))])
def test_the_learner_comes_first_where_a_learner_meets_a_supervisor(
    roles: tuple[str, str], calls: tuple[int, int]
) -> None:
    records = _two(examiner_role=roles[1])
    records.rows("exams")[0]["examiner_role"] = roles[0]
    assert _pairs(records, "learner_supervisor").select("a", "b").rows() == [calls]


def test_three_examiners_make_three_pairs_of_three_exams_of_one_unit() -> None:
    pairs = _pairs(_two().exam("EX3", day=4, examiner_id="E3").finding("EX3", "drawer", "negative"))
    assert pairs.height == 3
    assert pairs["unit"].n_unique() == 1
    assert pl.concat([pairs["exam_a"], pairs["exam_b"]]).n_unique() == 3


def test_a_pair_of_people_is_named_only_on_request_and_where_enough_were_seen_by_both() -> None:
    records = Records()
    for number in range(10):
        for examiner, day in (("E2", 1), ("E1", 0)):
            records.exam(f"EX{number}{examiner}", f"PT{number}", day, examiner_id=examiner)
            records.finding(f"EX{number}{examiner}", "drawer")
    assert _pairs(records, "examiner_pair", persons=True)["group"].to_list() == ["E1/E2"] * 10
    assert _pairs(records, "examiner_pair").is_empty()
    assert _pairs(records, "examiner_pair", persons=True, display={"min_participants": 11}).is_empty()


def test_each_examiner_stands_against_everybody_else_with_their_own_finding_first() -> None:
    own = _pairs(_two(), "examiner", persons=True)
    assert own.select("group", "a", "b").sort("group").rows() == [("E1", 1, 0), ("E2", 0, 1)]
    assert _pairs(_two(), "examiner").is_empty()


def test_a_learner_stands_against_supervisors_under_their_own_name() -> None:
    records = _two(examiner_role="resident")
    records.rows("exams")[0]["examiner_role"] = "attending"
    assert _pairs(records, "examiner_supervisor", persons=True).select("group", "a", "b").rows() == [("E2", 0, 1)]

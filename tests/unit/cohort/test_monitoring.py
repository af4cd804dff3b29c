"""What is watched month by month, counted in a little registry by hand."""

from __future__ import annotations

from typing import Any

import polars as pl
from clinic import Records, connect

from examtally.cohort.cohort import build_cohort
from examtally.cohort.monitoring import Watched, read_watched
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol, load_protocol

CORE = ("acl_tear", "mcl_injury", "medial_meniscus_tear", "lateral_meniscus_tear")


def watch(records: Records, contract: Contract, protocol: Protocol | None = None) -> Watched:
    protocol = protocol or Protocol.defaults(contract)
    with connect(contract, records) as con, build_cohort(con, contract, protocol) as cohort:
        return read_watched(cohort.con, contract, protocol)


def say(records: Records, exam: str, **probabilities: float) -> None:
    for condition, probability in probabilities.items():
        records.add("impressions", exam_id=exam, condition=condition, stage="after_exam", probability=probability)


def counts(watched: Watched, period: str) -> dict[str, tuple[int, int | None]]:
    rows = watched.counts.filter(period=period).group_by("indicator").agg(pl.col("numerator", "denominator").sum())
    return {name: (numerator, whole) for name, numerator, whole in rows.iter_rows()}


def little(contract: Contract) -> Records:
    """2020-01: five knees with a complaint, one without; 2021-01, open: one knee, missed and already proven."""
    records = Records()
    for number in range(1, 6):
        records.exam(f"EX{number}", f"PT{number}", reference_known="no" if number < 4 else None)
    records.exam("EX6", "PT6", complaint="no").exam("EX7", "PT7", setting="operating_room")
    records.exam("EX8", "PT8", period="2021-01")
    for code in Protocol.defaults(contract).core:
        records.finding("EX1", code, "negative")
        records.finding("EX2", code, "not_done" if code == "lachman" else "equivocal")
    records.finding("EX3", "lachman", "positive")
    say(records, "EX1", **dict.fromkeys(CORE, 0.05))
    say(records, "EX2", acl_tear=0.7)
    say(records, "EX8", acl_tear=0.02, mcl_injury=0.9, medial_meniscus_tear=0.3)
    records.reference("acl_tear", "present", 9, participant_id="PT1")  # called unlikely: missed
    records.reference("mcl_injury", "absent", 9, participant_id="PT1")  # called unlikely, and rightly
    records.reference("acl_tear", "present", 20, participant_id="PT2")  # suspected by its number
    records.reference("acl_tear", "absent", 40, participant_id="PT3")  # suspected by its finding, nothing stated
    records.reference("acl_tear", "indeterminate", 9, participant_id="PT4")
    for code in CORE[:3]:  # one unlikely, one suspected, one neither: all of them proven before their windows close
        records.reference(code, "present", 9, participant_id="PT8")
    return records


def test_the_records_of_a_month_are_counted_by_hand(contract: Contract) -> None:
    found = counts(watch(little(contract), contract), "2020-01")
    assert found["exams_seen"] == (5, 0)
    assert found["core_complete"] == (2, 5)
    assert found["probability_stated"] == (1, 5)
    assert found["examiner_blinded"] == (3, 5)
    core = len(Protocol.defaults(contract).core)
    assert found["equivocal"] == (core - 1, 2 * core), "one maneuver of the second knee was not done, one of the third"


def test_every_first_exam_is_verified_undecided_not_imaged_or_still_open(contract: Contract) -> None:
    watched = watch(little(contract), contract)
    found = counts(watched, "2020-01")
    assert [found[name][0] for name in ("verified", "undecided", "not_imaged", "results_still_coming")] == [3, 1, 1, 0]
    assert found["verified"][1] == 5
    later = counts(watched, "2021-01")
    assert [later[name][0] for name in ("verified", "undecided", "not_imaged", "results_still_coming")] == [1, 0, 0, 0]


def test_yield_has_its_other_side_and_counts_only_closed_windows(contract: Contract) -> None:
    watched = watch(little(contract), contract)
    found = counts(watched, "2020-01")
    assert (found["yield"], found["unsuspected_proven"]) == ((1, 2), (1, 2))
    later = counts(watched, "2021-01")
    assert (later["yield"], later["unsuspected_proven"]) == ((0, 0), (0, 0))


def test_a_knee_is_suspected_from_the_declared_probability(contract: Contract) -> None:
    records = Records().exam("EX9", "PT9", period="2021-01")
    for number, probability in enumerate((0.35, 0.49, 0.5, 0.7), 1):
        records.exam(f"EX{number}", f"PT{number}").reference("acl_tear", "present", 9, participant_id=f"PT{number}")
        say(records, f"EX{number}", acl_tear=probability)
    assert counts(watch(records, contract), "2020-01")["yield"] == (2, 2)
    lower = load_protocol({"monitoring": {"likely": 0.4}}, contract)
    assert counts(watch(records, contract, lower), "2020-01")["yield"] == (3, 3)


def test_a_missed_injury_counts_as_soon_as_it_is_proven_and_by_the_declared_level(contract: Contract) -> None:
    watched = watch(little(contract), contract)
    assert counts(watched, "2020-01")["missed_injuries"] == (1, 2)
    assert counts(watched, "2021-01")["missed_injuries"] == (1, 1)
    strict = load_protocol({"monitoring": {"unlikely": 0.03}}, contract)
    assert counts(watch(little(contract), contract, strict), "2020-01")["missed_injuries"] == (0, 0)


def test_days_run_to_the_first_answer_of_closed_windows(contract: Contract) -> None:
    days = watch(little(contract), contract).days
    assert dict(days.filter(period="2020-01").select("days", "exams").iter_rows()) == {9: 1, 20: 1, 40: 1}
    assert days.filter(period="2021-01").is_empty()


def test_the_newest_month_is_open_and_so_are_those_whose_windows_run(contract: Contract) -> None:
    records = little(contract).exam("EX9", "PT9", period="2020-10").exam("EX10", "PT10", period="2020-07")
    periods: list[tuple[Any, ...]] = watch(records, contract).periods.rows()
    assert periods == [
        ("2020-01", False, False),
        ("2020-07", False, False),
        ("2020-10", False, True),
        ("2021-01", True, True),
    ]


def test_what_was_stated_keeps_its_answers(contract: Contract) -> None:
    stated = watch(little(contract), contract).stated
    assert stated.rows() == [
        ("2020-01", "acl_tear", 0.05, True, 1),
        ("2020-01", "acl_tear", 0.7, True, 1),
        ("2020-01", "mcl_injury", 0.05, False, 1),
    ]


def test_an_empty_registry_has_nothing_to_watch(contract: Contract) -> None:
    watched = watch(Records(), contract)
    assert watched.counts.is_empty()
    assert watched.periods.is_empty()

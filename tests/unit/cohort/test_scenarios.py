"""The analysis set under other choices, each counted by hand on a few knees."""

from __future__ import annotations

from functools import cache
from typing import Any

import polars as pl
import pytest
from clinic import Records, connect, small_contract

from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table, scenario_table
from examtally.cohort.cohort import build_cohort
from examtally.cohort.scenarios import read_scenarios
from examtally.contracts.protocol.protocol import load_protocol
from examtally.contracts.results import OPEN, conform, result_codes

CELLS = ("tp", "fp", "fn", "tn")


def _records() -> Records:
    """Two clear knees and one of each kind that a scenario reads otherwise; every reference is an MRI on day 20."""
    records = Records().exam("EXLAST", "PTLAST", complaint="no", period="2020-12")
    kinds: list[tuple[str, str, dict[str, Any]]] = [
        ("positive", "present", {"exam_known": "no"}),
        ("negative", "absent", {}),
        ("equivocal", "present", {}),
        ("equivocal", "absent", {}),
        ("not_done", "present", {"reason": "pain"}),
        ("not_done", "absent", {"reason": "time"}),
        ("positive", "indeterminate", {}),
        ("negative", "present", {"day": 50}),
        ("positive", "absent", {"day": 100}),
        ("negative", "absent", {"modality": "arthroscopy"}),
    ]
    for number, (result, status, more) in enumerate(kinds):
        exam, person = f"EX{number}", f"PT{number}"
        records.exam(exam, person, reference_known="no" if number == 0 else None)
        records.finding(exam, "drawer", result, reason=more.pop("reason", None))
        records.reference("ligament", status, participant_id=person, **{"day": 20, **more})
    return records


@cache
def _tables() -> tuple[dict[str, list[int]], pl.DataFrame]:
    contract = small_contract()
    protocol = load_protocol({"core": ["drawer", "gait"]}, contract)
    records = _records()
    records.finding("EX1", "gait", "not_done")
    records.rows("findings")[0]["batch_no"] = 2
    con = connect(contract, records)
    with build_cohort(con, contract, protocol) as cohort:
        scenarios = list(read_scenarios(cohort, con, contract, protocol))
        main = accuracy_table(cohort.tallies(), None, contract, protocol)
    counts = {
        one.name: list(one.tallies.filter(condition="ligament", maneuver="drawer").select(CELLS).row(0))
        for one in scenarios
    }
    return counts, conform("sensitivity_analyses", scenario_table(scenarios, main, contract))


@pytest.mark.parametrize(
    ("scenario", "cells"),
    [
        ("equivocal_positive", [3, 1, 1, 2]),
        ("equivocal_negative", [1, 0, 3, 3]),
        ("equivocal_worst", [1, 1, 3, 2]),
        ("indeterminate_present", [2, 0, 1, 2]),
        ("indeterminate_absent", [1, 1, 1, 2]),
        ("mri_only", [1, 0, 1, 1]),
        ("arthroscopy_only", [0, 0, 0, 1]),
        ("reader_blinded_only", [1, 0, 0, 0]),
        ("examiner_blinded_only", [1, 0, 0, 0]),
        ("window_half", [1, 0, 0, 2]),
        ("window_double", [1, 1, 1, 2]),
        ("complete_only", [0, 0, 0, 1]),
        ("entered_before_reference", [0, 0, 1, 2]),
    ],
)
def test_each_scenario_counts_what_it_says(scenario: str, cells: list[int]) -> None:
    """The main analysis counts [1, 0, 1, 2]."""
    assert _tables()[0][scenario] == cells


def test_the_table_holds_every_scenario_with_its_distance_from_the_main_analysis() -> None:
    table = _tables()[1].filter(condition="ligament", maneuver="drawer", measure="sensitivity")
    codes = list(result_codes()["scenario"])
    at = codes.index(OPEN["scenario"])
    assert table["scenario"].to_list() == [
        *codes[:at],
        *sorted(small_contract().catalogue.own_codes["scenario"]),
        *codes[at + 1 :],
    ]
    (worst,) = table.filter(scenario="equivocal_worst").iter_rows(named=True)
    assert (worst["estimate"], worst["n"], worst["events"], worst["difference"]) == (0.25, 4, 1, -0.25)
    (none,) = table.filter(scenario="arthroscopy_only").iter_rows(named=True)
    assert none["estimate"] is None
    assert none["difference"] is None
    assert none["note"]

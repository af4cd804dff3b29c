"""Random registries, counted by the package and by brute force, must agree to the last knee."""

from __future__ import annotations

from collections import Counter
from typing import Any

import polars as pl
import pytest
from brute_force import REASONS, BruteForce
from clinic import Records, connect, small_contract
from random_clinic import random_clinic

from examtally.cohort.cohort import build_cohort
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol, load_protocol

PROTOCOLS: tuple[dict[str, Any], ...] = (
    {},
    {
        "equivocal": "positive",
        "windows": {"ligament": [1, 45], "fluid": [-6, 30]},
        "maturity": {"immature_periods": 0},
        "reference": {"accepted": {"ligament": ["mri"], "arthritis": ["follow_up", "radiograph"]}}
        | {"clinical_case_definition": {"arthritis": "stiff in the morning for at most half an hour, over 45"}},
    },
    {
        "equivocal": "negative",
        "windows": {"syndrome": [0, 90], "meniscus": [0, 10]},
        "eligibility": {
            "exclude_comparison_knees": False,
            "exclude_settings": [],
            "exclude_prior_surgery": False,
            "exclude_reference_known": False,
            "exclude_after_surgery": False,
            "exclude_after_reference": False,
        },
        "reference": {"clinical_case_definition": {"syndrome": "pain on the stairs for six weeks, nothing else found"}},
        "groups": {"acuity": [0, 21], "age_band": [16, 60], "bmi_band": [25], "thigh_band": [45, 50, 55]},
    },
    {"eligibility": {"exclude_settings": ["operating_room", "unknown"]}, "maturity": {"immature_periods": 6}},
)
CASES = [(seed, number % len(PROTOCOLS)) for number, seed in enumerate(range(2600, 2612))]
MORE_CASES = [(seed, number % len(PROTOCOLS)) for number, seed in enumerate(range(2612, 2640))]
KNEE_CASE, MORE_KNEE_CASES = 2640, range(2641, 2644)


def _by_key(frame: pl.DataFrame, *key: str) -> dict[tuple[str, ...], dict[str, int]]:
    rows = {tuple(row.pop(name) for name in key): row for row in frame.to_dicts()}
    assert len(rows) == frame.height
    return rows


@pytest.mark.parametrize(("seed", "protocol_number"), CASES)
def test_every_count_equals_brute_force(seed: int, protocol_number: int) -> None:
    contract = small_contract()
    _agree(random_clinic(seed, contract), contract, load_protocol(PROTOCOLS[protocol_number], contract))


@pytest.mark.study
@pytest.mark.parametrize(("seed", "protocol_number"), MORE_CASES)
def test_every_count_of_more_registries_equals_brute_force(seed: int, protocol_number: int) -> None:
    test_every_count_equals_brute_force(seed, protocol_number)


def test_so_it_does_for_the_knee(contract: Contract, protocol: Protocol) -> None:
    _agree(random_clinic(KNEE_CASE, contract, people=60), contract, protocol)


@pytest.mark.study
@pytest.mark.parametrize("seed", MORE_KNEE_CASES)
def test_so_it_does_for_more_registries_of_the_knee(seed: int, contract: Contract, protocol: Protocol) -> None:
    _agree(random_clinic(seed, contract, people=60), contract, protocol)


def _agree(records: Records, contract: Contract, protocol: Protocol) -> None:
    expected = BruteForce(records, contract, protocol)
    with build_cohort(connect(contract, records), contract, protocol) as cohort:
        tallies = _by_key(cohort.tallies(), "condition", "maneuver", "group_by", "group")
        wanted = expected.tallies()
        assert set(tallies) == set(wanted)
        for key, row in tallies.items():
            assert row == {name: wanted[key][name] for name in row}, key
        flow = _by_key(cohort.flow(), "condition", "maneuver", "step", "reason")
        assert {(c, m, r): tuple(row.values()) for (c, m, _, r), row in flow.items()} == expected.flow()
        roles = _by_key(cohort.role_clusters(), "condition", "maneuver", "group")
        wanted_roles = expected.role_clusters()
        assert set(roles) == set(wanted_roles)
        for key, row in roles.items():
            assert row == {name: wanted_roles[key][name] for name in row}, key
        said = cohort.forecasts().drop("participant").rows()
        assert Counter(said) == Counter(expected.forecasts())


def test_the_random_registries_put_every_rule_to_the_test() -> None:
    contract = small_contract()
    ends: Counter[str] = Counter()
    for seed, number in CASES:
        expected = BruteForce(random_clinic(seed, contract), contract, load_protocol(PROTOCOLS[number], contract))
        for (_, _, reason), (exams, _) in expected.flow().items():
            ends[reason] += exams
    assert min(ends[reason] for reason in REASONS) > 5 * len(CASES), ends

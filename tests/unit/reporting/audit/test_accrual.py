from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from examtally.contracts.contract import Contract
from examtally.reporting.audit.accrual import accrual, next_figure
from examtally.reporting.audit.audit import Audit

PERIODS = [f"P{number:03}" for number in range(1, 13)]


def tally(present: int, absent: int, *, waiting: int = 0) -> dict[str, int]:
    return {"participants_present": present, "participants_absent": absent, "window_open": waiting}


def by_period(rows: dict[str, tuple[int, int]]) -> list[dict[str, Any]]:
    return [{"group": period, **tally(*pair)} for period, pair in rows.items()]


def test_the_wait_follows_from_the_rate_over_periods_with_results() -> None:
    """4 with and 12 without in 8 periods: 6 more at 0.5 a period take 12 periods."""
    rows = by_period({"P002": (1, 5), "P005": (2, 4), "P008": (1, 3)})
    found = accrual(tally(4, 12), rows, PERIODS, 10)
    assert (found.mature, found.periods_left) == (8, 12)
    assert found.sentence == "4 patients verified with it and 12 without, 10 of each are needed; in about 12 periods"


def test_the_slower_side_decides() -> None:
    rows = by_period({"P010": (5, 2)})
    assert accrual(tally(5, 2), rows, PERIODS, 10).periods_left == 40


@pytest.mark.parametrize(
    ("have", "rows", "when"),
    [
        (tally(10, 10), {"P001": (10, 10)}, "now"),
        (tally(0, 20), {"P001": (0, 20)}, "no date at this rate"),
        (tally(0, 0, waiting=7), {}, "first results are not due yet"),
        (tally(0, 0), {}, "no exam yet"),
    ],
)
def test_what_cannot_be_reckoned_is_said(have: dict[str, int], rows: dict[str, tuple[int, int]], when: str) -> None:
    assert accrual(have, by_period(rows), PERIODS, 10).when == when


def test_months_are_counted_across_the_year() -> None:
    months = ["2025-11", "2025-12", "2026-02"]
    found = accrual(tally(4, 10), by_period({"2026-02": (4, 10)}), months, 10)
    assert (found.mature, found.periods_left) == (4, 6)
    assert found.when == "in about 6 months"


@pytest.mark.parametrize(
    ("lachman", "valgus", "said"),
    [
        ((4, 12, 0), (8, 12, 0), "**Next figure:** valgus stress test at 30 degrees, in about 3 periods."),
        ((4, 12, 0), (0, 12, 0), "**Next figure:** Lachman test, in about 18 periods."),
        ((0, 0, 7), (0, 0, 5), "**First figures are not due yet:** of 7 exams the result may still come."),
        ((0, 12, 3), (0, 12, 2), ""),
        ((10, 10, 0), (12, 12, 0), ""),
    ],
)
def test_a_young_registry_is_told_which_figure_comes_first(
    contract: Contract, lachman: tuple[int, int, int], valgus: tuple[int, int, int], said: str
) -> None:
    have = {"lachman": lachman, "valgus_stress_30": valgus}

    def told(_condition: str, maneuver: str, group_by: str = "overall", group: str = "all") -> dict[str, int]:
        present, absent, waiting = have[maneuver]
        is_there = group in ("all", PERIODS[-1]) and (group_by == "overall" or present + absent > 0)
        return tally(present, absent, waiting=waiting) | {"exams": int(is_there)}

    audit = SimpleNamespace(tally=told, periods=PERIODS, min_participants=10, leading={}, models={})
    conditions, maneuvers = contract.catalogue.conditions, contract.catalogue.maneuvers
    pairs = [
        (conditions["acl_tear"], maneuvers["lachman"]),
        (conditions["mcl_injury"], maneuvers["valgus_stress_30"]),
    ]
    assert next_figure(cast(Audit, audit), pairs) == said

from __future__ import annotations

from typing import Any

import pytest

from examtally.reporting.audit.accrual import accrual

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

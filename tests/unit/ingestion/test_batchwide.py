"""What stops a whole batch though each line passes: period forms, percent, calendar days in disguise."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from records import exam, finding, places, reference, send

from examtally.errors import FileFault
from examtally.ingestion.checking.days import FEWEST_PARTICIPANTS

RANDOM = np.random.default_rng(20260314)


@pytest.fixture
def registry(tmp_path: Path) -> Path:
    return tmp_path / "registry.duckdb"


def _refused(tmp_path: Path, registry: Path, words: str, **tables: list[dict[str, object]]) -> None:
    before = registry.read_bytes() if registry.exists() else None
    with pytest.raises(FileFault, match=words) as caught:
        send(tmp_path, registry, **tables)
    assert all("\n" not in line for line in caught.value.lines)
    assert (registry.read_bytes() if registry.exists() else None) == before


def test_months_and_ordinals_in_one_batch(tmp_path: Path, registry: Path) -> None:
    exams = [exam("EX-1", period="P001"), exam("EX-2", period="2026-03")]
    _refused(tmp_path, registry, "calendar months .* and ordinals", exams=exams)
    starting = [{"examiner_id": "EM-1", "start_period": "2026-03"}]
    _refused(tmp_path, registry, "calendar months .* and ordinals", exams=[exam("EX-1")], examiners=starting)


def test_months_after_ordinals(tmp_path: Path, registry: Path) -> None:
    send(tmp_path, registry, exams=[exam("EX-1")])
    _refused(tmp_path, registry, "the registry has ordinals", exams=[exam("EX-2", period="2026-03")])
    assert places(send(tmp_path, registry, exams=[exam("EX-2", period="P002")]), "exams") == {"stored": 1}


def test_a_period_that_is_neither_is_held_back_and_mixes_nothing(tmp_path: Path, registry: Path) -> None:
    report = send(tmp_path, registry, exams=[exam("EX-1"), exam("EX-2", period="March"), exam("EX-3", period="2026-3")])
    assert places(report, "exams") == {"stored": 1, "held_back": 2}


def _impressions(*values: object) -> list[dict[str, object]]:
    return [
        {"exam_id": f"EX-{number}", "condition": "acl_tear", "stage": "after_exam", "probability": value}
        for number, value in enumerate(values)
    ]


def test_percent_are_refused_and_a_slip_is_held_back(tmp_path: Path, registry: Path) -> None:
    _refused(tmp_path, registry, "divide the column by 100", impressions=_impressions(0, 1, 40, 60, 100))
    report = send(tmp_path, registry, impressions=_impressions(0.1, 0.5, 40, 1, ""))
    assert places(report, "impressions") == {"waiting": 3, "held_back": 2}


def _exams(days: list[int], periods: list[int] | None = None) -> list[dict[str, object]]:
    periods = periods or [1] * len(days)
    return [
        exam(f"EX-{number}", participant_id=f"PT-{number}", exam_day=day, period=f"P{period:03}")
        for number, (day, period) in enumerate(zip(days, periods, strict=True))
    ]


def test_days_far_from_zero(tmp_path: Path, registry: Path) -> None:
    days = [9500 + 10 * number for number in range(FEWEST_PARTICIPANTS)]
    _refused(tmp_path, registry, "lie far from 0", exams=_exams(days))
    readings = [
        reference(f"RF-{number}", participant_id=f"PT-{number}", reference_day=-day) for number, day in enumerate(days)
    ]
    _refused(tmp_path, registry, "lie far from 0", references=readings)
    assert places(send(tmp_path, registry, exams=_exams(days[1:])), "exams") == {"stored": FEWEST_PARTICIPANTS - 1}


def test_days_the_same_for_everyone_never_count(tmp_path: Path, registry: Path) -> None:
    report = send(tmp_path, registry, exams=_exams([9500] * 40))
    assert places(report, "exams") == {"stored": 40}


def test_days_since_birth(tmp_path: Path, registry: Path) -> None:
    ages = [int(age) for age in RANDOM.integers(0, 10, 40)]
    days = [int(365.25 * (age + RANDOM.random())) for age in ages]
    people = [{"participant_id": f"PT-{number}", "age_years": age} for number, age in enumerate(ages)]
    _refused(tmp_path, registry, "follow the participants' ages", exams=_exams(days), participants=people)
    send(tmp_path, registry, participants=people)
    _refused(tmp_path, registry, "follow the participants' ages", exams=_exams(days))
    random_days = [int(day) for day in RANDOM.permutation(days)]
    assert places(send(tmp_path, registry, exams=_exams(random_days)), "exams") == {"stored": 40}


@pytest.mark.parametrize(("others", "is_refused"), [(4, True), (8, True), (9, False)])
def test_days_since_birth_of_four_in_five_people(tmp_path: Path, registry: Path, others: int, is_refused: bool) -> None:
    ages = [2 + number % 9 for number in range(40)]
    days = [int(365.25 * (age + (5 if number < others else 0.5))) for number, age in enumerate(ages)]
    people = [{"participant_id": f"PT-{number}", "age_years": age} for number, age in enumerate(ages)]
    if is_refused:
        _refused(tmp_path, registry, "follow the participants' ages", exams=_exams(days), participants=people)
    else:
        assert places(send(tmp_path, registry, exams=_exams(days), participants=people), "exams") == {"stored": 40}


def _calendar(periods: int, per_period: int, days_a_period: float) -> list[dict[str, object]]:
    places = [period for period in range(1, periods + 1) for _ in range(per_period)]
    days = [int(days_a_period * (period - 1) + RANDOM.integers(0, 28)) for period in places]
    return _exams(days, places)


@pytest.mark.parametrize(
    ("periods", "per_period", "step", "is_refused"),
    [(12, 2, 30.4, True), (6, 4, 30.4, True), (5, 8, 30.4, False), (12, 3, 0, False), (12, 3, 90, False)],
)
def test_days_that_climb_with_the_periods(
    tmp_path: Path, registry: Path, periods: int, per_period: int, step: float, is_refused: bool
) -> None:
    exams = _calendar(periods, per_period, step)
    if is_refused:
        _refused(tmp_path, registry, "climb 20 to 40 days a period", exams=exams)
    else:
        assert places(send(tmp_path, registry, exams=exams), "exams") == {"stored": len(exams)}


def test_calendar_months_are_counted_across_a_year(tmp_path: Path, registry: Path) -> None:
    exams = _calendar(12, 2, 30.4)
    for row in exams:
        place = int(str(row["period"])[1:]) + 8
        row["period"] = f"{2025 + (place > 12)}-{place - 12 * (place > 12):02}"
    _refused(tmp_path, registry, "climb 20 to 40 days a period", exams=exams)


def test_a_clock_of_their_own_passes(tmp_path: Path, registry: Path) -> None:
    periods = [int(period) for period in RANDOM.integers(1, 19, 300)]
    days = [int(day) for day in RANDOM.integers(-700, 700, 300)]
    report = send(tmp_path, registry, exams=_exams(days, periods), findings=[finding("EX-0")])
    assert places(report, "exams") == {"stored": 300}

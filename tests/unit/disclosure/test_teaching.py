"""Cases to learn from: nobody can be meant, and nobody's answer follows from the look."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from attacker import meant

from examtally.contracts.protocol.teaching import Blueprint
from examtally.disclosure import teaching
from examtally.disclosure.teaching import check_apart, teaching_set
from examtally.errors import DisclosureError

MANEUVERS = {"acl_tear": ("lachman", "anterior_drawer", "pivot_shift"), "mcl_injury": ("valgus_stress_30",)}


def _looks(n: int, seed: int) -> dict[str, pl.DataFrame]:
    draw = np.random.default_rng(seed)
    made = {}
    for code, maneuvers in MANEUVERS.items():
        present = draw.random(n) < 0.4
        results = {
            f"result_{one}": np.where(
                draw.random(n) < 0.1,
                "not_done",
                np.where(draw.random(n) < np.where(present, 0.7, 0.2), "positive", "negative"),
            )
            for one in maneuvers
        }
        made[code] = pl.DataFrame(
            {
                "participant": np.arange(n) // 2,
                "age_band": draw.choice(["16_25", "26_39", "60_over"], n, p=[0.5, 0.45, 0.05]),
                "acuity": draw.choice(["acute", "chronic"], n),
                **results,
                "confirmed": [
                    bool(one) if seen else None for one, seen in zip(present, draw.random(n) < 0.5, strict=True)
                ],
                "by_surgery": draw.random(n) < 0.3,
            }
        )
    return made


def test_a_set_spans_the_blueprint_and_the_seed_gives_it_again() -> None:
    looks, plan = _looks(3000, 1), Blueprint(cases=12)
    made = teaching_set(looks, MANEUVERS, plan)
    assert made == teaching_set(looks, MANEUVERS, plan)
    assert made != teaching_set(looks, MANEUVERS, replace(plan, seed=2))
    assert len(made.cases) == 12
    assert sum(made.asked.values()) == 12
    assert {one.is_present for one in made.cases} == {True, False}
    assert any(one.is_hard for one in made.cases)
    assert any(not one.is_hard for one in made.cases)
    assert len({(one.condition, one.context, one.findings) for one in made.cases}) == 12
    assert all(one.context and one.findings for one in made.cases), "a case shows something before the exam"


@pytest.mark.parametrize("seed", range(6))
def test_the_attacker_who_knows_how_everybody_looks_means_nobody(seed: int) -> None:
    looks = _looks(400, seed)
    assert meant(teaching_set(looks, MANEUVERS, Blueprint(cases=12)).cases, looks) == []


def test_without_the_rules_the_attacker_means_somebody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(teaching, "FEWEST", 1)
    looks = _looks(150, 3)
    assert meant(teaching_set(looks, MANEUVERS, Blueprint(cases=12)).cases, looks) != []


def test_a_look_that_tells_the_answer_of_all_who_have_it_is_not_shown() -> None:
    looks = {"mcl_injury": _looks(900, 5)["mcl_injury"]}
    told = looks["mcl_injury"].with_columns((pl.col("result_valgus_stress_30") == "positive").alias("confirmed"))
    with pytest.raises(DisclosureError, match="too few people look alike"):
        teaching_set({"mcl_injury": told}, MANEUVERS, Blueprint(cases=8))


def test_few_people_make_no_set() -> None:
    with pytest.raises(DisclosureError, match="0 cases may be shown"):
        teaching_set(_looks(16, 1), MANEUVERS, Blueprint())


def test_a_look_that_only_the_later_of_two_sets_shows_is_of_one_person() -> None:
    """Why sets of nearly the same people are refused: ten people look alike, and with one more they may be shown."""
    few = pl.DataFrame(
        {
            "participant": range(11),
            **{"age_band": "60_over", "acuity": "acute", "result_valgus_stress_30": "positive"},
            "confirmed": [True, False] * 5 + [True],
            "by_surgery": True,
        }
    )
    shown = teaching.shown_cases("mcl_injury", few, ("valgus_stress_30",), 4)
    assert len(shown) == 1
    assert teaching.shown_cases("mcl_injury", few.head(10), ("valgus_stress_30",), 4) == []


@pytest.mark.parametrize(
    ("changes", "is_refused"),
    [
        ({}, False),
        ({"records": "b"}, True),
        ({"protocol": "q"}, True),
        ({"records": "b", "people": {"acl_tear": 210, "mcl_injury": 311}}, True),
        ({"records": "b", "people": {"acl_tear": 211, "mcl_injury": 289}}, False),
        ({"records": "b", "people": {"lcl_injury": 201}}, False),
    ],
)
def test_a_set_of_nearly_the_same_people_is_refused(changes: dict[str, object], is_refused: bool) -> None:
    before = {"records": "a", "protocol": "p", "people": {"acl_tear": 200, "mcl_injury": 300}}
    if not is_refused:
        check_apart([{"cases": 12}, before], before | changes)
        return
    with pytest.raises(DisclosureError, match="fewer than 11 people lie between them"):
        check_apart([before], before | changes)

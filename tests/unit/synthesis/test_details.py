"""Grades, end points and measures of a large clinic are those of the trade: few false positives are of grade 3."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from examtally.contracts.contract import load_contract
from examtally.errors import ContractError
from examtally.synthesis.chance import Level
from examtally.synthesis.clinic import Clinic
from examtally.synthesis.features import Features
from examtally.synthesis.finding_rows import finding_rows
from examtally.synthesis.scenario import Scenario
from examtally.synthesis.scenario_file import load_scenario

GRADED = (
    *("sweep_test", "patellar_glide", "tibiofemoral_crepitus", "lachman", "drop_leg_lachman", "anterior_drawer"),
    *("pivot_shift", "posterior_drawer", "posterior_sag", "valgus_stress_0", "valgus_stress_30", "varus_stress_0"),
    "varus_stress_30",
)
THRESHOLDS = {  # least of a positive finding, most of a negative one, by the catalogue's words
    "quadriceps_atrophy": (2.0, 1.9),
    "extension_deficit": (5, 4),
    "flexion_deficit": (10, 9),
    "dial_test": (10, 9),
    "lachman": (3.0, 2.9),
    "ober": (1, 0),
}
_FEWEST = 5


@pytest.fixture(scope="module")
def rows(clinic: Clinic) -> pl.DataFrame:
    """What the sheets of the reference population say: the findings table with `present`, the truth of the driver."""
    reference, plans = clinic.reference, clinic.context.scenario.maneuvers
    frame = finding_rows(clinic.context, reference.exams, reference.found)
    parts = []
    for code, plan in plans.items():
        part = frame.filter(maneuver=code)
        truth = (
            reference.exams.numbers[plan.driver].astype(bool) if plan.driver else np.zeros(reference.exams.rows, bool)
        )
        parts.append(part.with_columns(present=pl.Series(truth[part["row"].to_numpy()])))
    return pl.concat(parts)


def level_ratios(rows: pl.DataFrame, maneuver: str, column: str) -> dict[object, float]:
    """Likelihood ratio of each level: its share among those with the condition, over that among those without."""
    written = rows.filter(maneuver=maneuver).drop_nulls(column)
    counted = written.group_by(column).agg(a=pl.col("present").sum(), b=(~pl.col("present")).sum()).sort(column)
    assert counted.select(pl.min_horizontal(pl.col("a", "b")).min()).item() >= _FEWEST
    shares = {"a": pl.col("a") / pl.col("a").sum(), "b": pl.col("b") / pl.col("b").sum()}
    ratios = counted.with_columns(**shares).select(column, ratio=pl.col("a") / pl.col("b"))
    return dict(ratios.iter_rows())


def test_every_maneuver_that_looks_for_a_condition_and_is_graded_is_checked(scenario: Scenario) -> None:
    assert {code for code, plan in scenario.maneuvers.items() if plan.grades and plan.driver} == set(GRADED)
    assert {code for code, plan in scenario.maneuvers.items() if plan.measure} == set(THRESHOLDS)


@pytest.mark.parametrize("maneuver", GRADED)
def test_the_ratio_of_a_level_rises_with_the_grade(rows: pl.DataFrame, maneuver: str) -> None:
    ratios = list(level_ratios(rows, maneuver, "grade").values())
    assert len(ratios) == len(load_contract().catalogue.maneuvers[maneuver].grades)
    assert ratios == sorted(ratios)
    assert ratios[-1] > 1.5 * ratios[-2]
    assert ratios[0] < 1 < ratios[-2]


@pytest.mark.parametrize("maneuver", ["lachman", "drop_leg_lachman", "anterior_drawer", "valgus_stress_30"])
def test_an_absent_end_point_says_more_than_a_soft_one_and_a_firm_one_speaks_against(
    rows: pl.DataFrame, maneuver: str
) -> None:
    ratios = level_ratios(rows, maneuver, "end_point")
    assert ratios["firm"] < 0.7
    assert 2 < ratios["soft"] < ratios["absent"]


@pytest.mark.parametrize("maneuver", THRESHOLDS)
def test_a_measure_keeps_to_the_side_of_the_threshold_of_its_result(rows: pl.DataFrame, maneuver: str) -> None:
    least, most = THRESHOLDS[maneuver]
    ends = (
        rows.filter(maneuver=maneuver)
        .drop_nulls("measure")
        .group_by("result")
        .agg(least=pl.col("measure").min(), most=pl.col("measure").max())
    )
    found = {result: (low, high) for result, low, high in ends.iter_rows()}
    assert found["positive"][0] >= least
    assert found["negative"][1] <= most


def test_the_grade_of_a_lachman_and_its_measure_agree(rows: pl.DataFrame) -> None:
    both = rows.filter(maneuver="lachman").drop_nulls(["grade", "measure"])
    means = both.group_by("grade").agg(pl.col("measure").mean()).sort("grade")["measure"].to_list()
    for mean, (low, high) in zip(means, ((0, 3), (3, 6), (6, 10), (10, 15)), strict=True):
        assert low < mean < high


def test_the_stated_probabilities_are_those_of_people_who_know_their_trade(truth: dict[str, Any]) -> None:
    told = truth["calibration"].filter(group_by="overall", stage="after_exam")
    assert told.height == 6
    assert (told["mean_stated"] - told["prevalence"]).is_between(-0.02, 0.02).all()
    assert told["slope"].is_between(0.6, 1.1).all()


def test_what_falls_beyond_an_end_is_mirrored() -> None:
    features, random = Features(rows=2000), np.random.default_rng(5)
    low = Level(3.0, 2.0, {}, least=2.5).draw(random, features)
    high = Level(3.0, 2.0, {}, most=2.5).draw(random, features)
    assert low.min() >= 2.5 > low.min() - 0.01
    assert high.max() <= 2.5 < high.max() + 0.01
    assert low.std() > 0.5


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("lachman: {shift: {driver: 1}}", "lachman.shift"),
        ("lachman: {measure: {positive: {least: 3, most: 9}}}", "keep 'least' or 'most'"),
        ("dial_test: {measure: {positive: {add: {grade: 1}}}}", "dial_test.measure.positive.add"),
    ],
)
def test_names_are_known_only_where_they_mean_something(based: Callable[..., Path], lines: str, words: str) -> None:
    with pytest.raises(ContractError, match=words):
        load_scenario(based(f"maneuvers: {{{lines}}}"))

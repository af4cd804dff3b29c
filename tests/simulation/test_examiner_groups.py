"""Comparison of two groups of examiners where both are equally good: how often is it called a difference?

Aims, fixed before the first run: with 3 + 3, 6 + 6 and 12 + 12 examiners, a standard deviation of skill (logit) of 0,
0.3 and 0.6 and unequal numbers of knees (negative binomial, mean 26), a nominal 5 % test errs in 4 to 6 %; a difference
between typical sensitivities of 0.65 and 0.85 is found, with 12 + 12 and 0.6, in at least 80 %. With fewer than five a
group no test is made, and the variance behind the interval is never taken below that of independent exams (a floor):
it leaves out 0 in at most 6 %, in which it is far on the safe side. Every row is held to docs/simulation-studies.md.

Two further answers stand beside it. Examiners dealt to the groups in every way, under ten: at most 6 % where both
groups are equally good. Regression standardisation, where the groups see different knees and differ in nothing else:
4 to 6 %, within two Monte-Carlo errors of 4,000 clinics, that is 3.3 to 6.7 %; under the floor at most 6.7 %. Which of
the first two leads was settled on earlier development seeds (5 and 6): with 3 + 3, dealing finds nothing at all.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.special import expit, logit

from examtally.analytics.comparison.case_mix import standardise_groups
from examtally.analytics.comparison.examiner_clusters import contrast_examiners
from examtally.analytics.comparison.examiner_permutation import permute_examiners
from examtally.analytics.sample_size import Examiners, unpaired, unpaired_groups

SEED, FLOORED = 770_201, 882_615
RUNS = 20_000
STUDIES = Path(__file__).resolve().parents[2] / "docs" / "simulation-studies.md"


def rejected(
    examiners: tuple[int, int],
    spread: float,
    typical: tuple[float, float],
    runs: int,
    seed: int,
    floor: float | None = None,
) -> float:
    """Share of clinics in which the two groups are told to differ; a `floor` of 0 is none."""
    draw = np.random.default_rng(seed)
    found = 0
    for _ in range(runs):
        knees = [1.0 + draw.negative_binomial(2, 2 / 27, number) for number in examiners]
        skill = [
            expit(logit(p) + spread * draw.standard_normal(number))
            for p, number in zip(typical, examiners, strict=True)
        ]
        events = [draw.binomial(n.astype(int), p).astype(float) for n, p in zip(knees, skill, strict=True)]
        found += contrast_examiners((events[0], events[1]), (knees[0], knees[1]), floor).p_value < 0.05
    return found / runs


def test_equal_groups_are_rarely_told_apart_in_a_short_run() -> None:
    assert rejected((3, 3), 0.6, (0.8, 0.8), 500, SEED) < 0.06
    assert rejected((12, 12), 0.6, (0.65, 0.9), 60, SEED) > 0.8


def found_as_planned(examiners: int, spread: float, runs: int, seed: int) -> tuple[float, int]:
    """Share of clinics of the planned size in which 0.85 and 0.70 are told apart, and the knees a group.

    Aim, fixed before the first run: 0.78 to 0.84, the planned 0.80 and what rounding and counts in whole knees add.
    """
    plan = Examiners(examiners, examiners, spread)
    knees = math.ceil(plan.needed(unpaired(0.85, 0.70), 0.775, 0.025, 0.8) / examiners)
    draw = np.random.default_rng(seed)
    found = 0
    size = np.full(examiners, float(knees))
    for _ in range(runs):
        events = [draw.binomial(knees, _drawn(draw, p, spread, examiners)).astype(float) for p in (0.85, 0.70)]
        found += contrast_examiners((events[0], events[1]), (size, size)).p_value < 0.05
    return found / runs, knees * examiners


def _drawn(draw: np.random.Generator, mean: float, spread: float, examiners: int) -> np.ndarray:
    """Proportions of examiners with this mean and the standard deviation that the delta method gives the spread."""
    precision = 1 / (spread**2 * mean * (1 - mean)) - 1
    return draw.beta(mean * precision, (1 - mean) * precision, examiners)


def test_a_planned_difference_is_found_as_often_as_planned_in_a_short_run() -> None:
    share, _ = found_as_planned(12, 0.3, 1500, SEED)
    assert 0.76 <= share <= 0.86


@pytest.mark.study
@pytest.mark.parametrize(("examiners", "spread"), [(6, 0.3), (12, 0.3), (12, 0.6), (20, 0.6)])
def test_a_planned_difference_is_found_as_often_as_planned(examiners: int, spread: float) -> None:
    share, knees = found_as_planned(examiners, spread, RUNS // 4, SEED + 200 + examiners)
    row = f"| {examiners} + {examiners} | {spread} | {knees} | {100 * share:.1f} % |"
    print(row)
    assert row in STUDIES.read_text(encoding="utf-8")  # what misses its aim, 78 to 84 %, stays in the table


def found_in_clusters_of_two_kinds(ratio: float, runs: int, seed: int) -> tuple[float, tuple[int, int]]:
    """12 + 12 examiners, spread 0.3, everybody with two knees, the second a copy of the first in every other person.

    Aim, fixed before the first run: 0.78 to 0.84 found, as with clusters of one kind.
    """
    independent = unpaired_groups(0.85, 0.70, ratio=ratio)[0]
    first = Examiners(12, 12, 0.3, ratio, people=1.5).needed(independent, 0.775, 0.025, 0.8)
    people = [math.ceil(knees / 2 / 12) for knees in (first, first * ratio)]
    draw = np.random.default_rng(seed)
    size = [np.full(12, 2.0 * number) for number in people]
    found = 0
    for _ in range(runs):
        events = []
        for number, mean in zip(people, (0.85, 0.70), strict=True):
            skill = _drawn(draw, mean, 0.3, 12)[:, None]
            one, other = (draw.random((2, 12, number)) < skill).astype(float)
            events.append((one + np.where(draw.random((12, number)) < 0.5, one, other)).sum(axis=1))
        found += contrast_examiners((events[0], events[1]), (size[0], size[1])).p_value < 0.05
    return found / runs, (24 * people[0], 24 * people[1])


@pytest.mark.study
@pytest.mark.parametrize("ratio", [0.5, 1.0, 2.0])
def test_a_difference_is_found_in_clusters_of_two_kinds(ratio: float) -> None:
    share, knees = found_in_clusters_of_two_kinds(ratio, RUNS // 4, SEED + 600 + round(10 * ratio))
    row = f"| {ratio:g} | {knees[0]} and {knees[1]} | {100 * share:.1f} % |"
    print(row)
    assert row in STUDIES.read_text(encoding="utf-8")  # what misses its aim stays in the table


@pytest.mark.study
@pytest.mark.parametrize("spread", [0.0, 0.3, 0.6])
@pytest.mark.parametrize("examiners", [3, 6, 12])
def test_equal_groups_differ_in_four_to_six_percent(examiners: int, spread: float) -> None:
    both = (examiners, examiners)
    shares = [rejected(both, spread, (one, one), RUNS, SEED + examiners, 0.0) for one in (0.8, 0.9)]
    row = f"| {examiners} + {examiners} | {spread} | {shares[0]:.1%} | {shares[1]:.1%} |".replace("%", " %")
    print(row)
    assert min(shares) >= 0.04
    assert max(shares) <= 0.06
    assert row in STUDIES.read_text(encoding="utf-8")


@pytest.mark.study
@pytest.mark.parametrize("examiners", [3, 6, 12])
def test_a_difference_is_found_by_enough_examiners(examiners: int) -> None:
    share = rejected((examiners, examiners), 0.6, (0.65, 0.85), RUNS // 4, SEED + 100 + examiners, 0.0)
    print(f"{examiners} + {examiners} examiners, 65 % and 85 %: found in {share:.0%}")
    assert share >= 0.8 or examiners < 12


@pytest.mark.study
@pytest.mark.parametrize("spread", [0.0, 0.3, 0.6])
@pytest.mark.parametrize("examiners", [(2, 2), (3, 3), (3, 6)])
def test_intervals_of_few_examiners_leave_out_0_in_at_most_six_percent(
    examiners: tuple[int, int], spread: float
) -> None:
    seed = FLOORED + sum(examiners)
    one, other = (rejected(examiners, spread, (typical, typical), RUNS, seed) for typical in (0.8, 0.9))
    power = rejected(examiners, spread, (0.65, 0.85), RUNS // 4, seed + 100)
    row = f"| {examiners[0]} + {examiners[1]} | {spread} | {one:.1%} | {other:.1%} | {power:.0%} |".replace("%", " %")
    print(row)
    assert max(one, other) <= 0.06
    assert row in STUDIES.read_text(encoding="utf-8")


def both_ways(
    examiners: tuple[int, int], spread: float, typical: tuple[float, float], runs: int, seed: int
) -> tuple[float, float]:
    """Shares of clinics in which the groups are told to differ: by t, and by dealing examiners in every way."""
    draw = np.random.default_rng(seed)
    found = np.zeros(2)
    for _ in range(runs):
        knees = [1.0 + draw.negative_binomial(2, 2 / 27, number) for number in examiners]
        skill = [
            expit(logit(p) + spread * draw.standard_normal(number))
            for p, number in zip(typical, examiners, strict=True)
        ]
        events = [draw.binomial(n.astype(int), p).astype(float) for n, p in zip(knees, skill, strict=True)]
        dealt = permute_examiners((events[0], events[1]), (knees[0], knees[1]), 0.9999)
        assert dealt is not None
        by_t = contrast_examiners((events[0], events[1]), (knees[0], knees[1])).p_value
        found += [by_t < 0.05, dealt.p_value <= 0.05]
    return found[0] / runs, found[1] / runs


SEVERITIES = pl.Enum(["mild", "moderate", "severe"])
SEEN = ([0.2, 0.3, 0.5], [0.5, 0.3, 0.2])
"""How often either group sees each severity; a severe one is found more often (logit 0.6 a step)."""


def at_one_case_mix(examiners: int, spread: float, runs: int, seed: int) -> tuple[float, float, float]:
    """Shares of clinics called different, standardised and as they are; and the share without a standardised answer."""
    draw = np.random.default_rng(seed)
    found, none = np.zeros(2), 0
    for _ in range(runs):
        parts = []
        for group, seen in enumerate(SEEN):
            knees = 1 + draw.negative_binomial(2, 2 / 27, examiners)
            who = np.repeat(np.arange(examiners), knees)
            severity = draw.choice(3, size=who.size, p=seen)
            odds = logit(0.75) + spread * draw.standard_normal(examiners)[who] + 0.6 * (severity - 1)
            is_event = draw.random(who.size) < expit(odds)
            parts.append((is_event, np.full(who.size, group == 0), who + group * examiners, severity))
        is_event, is_first, who, severity = (np.concatenate(column) for column in zip(*parts, strict=True))
        mix = pl.DataFrame({"severity": pl.Series(severity).cast(pl.UInt8).cat.to(SEVERITIES)})
        made = standardise_groups(is_event, is_first, who.astype(float), mix)
        none += made is None
        sums = [
            (np.bincount(who[side], is_event[side])[-examiners:], np.bincount(who[side])[-examiners:].astype(float))
            for side in (is_first, ~is_first)
        ]
        plain = contrast_examiners((sums[0][0], sums[1][0]), (sums[0][1], sums[1][1])).p_value
        found += [made is not None and made.p_value < 0.05, plain < 0.05]
    return found[0] / max(runs - none, 1), found[1] / runs, none / runs


def test_a_difference_of_case_mix_is_taken_off_in_a_short_run() -> None:
    standardised, plain, none = at_one_case_mix(12, 0.0, 120, SEED)
    assert standardised < 0.1 < plain
    assert none == 0.0


@pytest.mark.study
@pytest.mark.parametrize("spread", [0.0, 0.3, 0.6])
@pytest.mark.parametrize("examiners", [(3, 3), (4, 4), (4, 5), (3, 6), (2, 7)])
def test_dealing_examiners_rarely_tells_equal_groups_apart(examiners: tuple[int, int], spread: float) -> None:
    by_t, dealt = both_ways(examiners, spread, (0.8, 0.8), 5000, FLOORED + 300 + examiners[1])
    power = both_ways(examiners, spread, (0.65, 0.85), 1000, FLOORED + 400 + examiners[1])
    shown = f"| {by_t:.1%} | {dealt:.1%} | {power[0]:.0%} | {power[1]:.0%} |".replace("%", " %")
    row = f"| {examiners[0]} + {examiners[1]} | {spread} {shown}"
    print(row)
    assert max(by_t, dealt) <= 0.06
    assert row in STUDIES.read_text(encoding="utf-8")


@pytest.mark.study
@pytest.mark.parametrize("spread", [0.0, 0.3, 0.6])
@pytest.mark.parametrize("examiners", [3, 6, 12])
def test_another_case_mix_is_no_difference(examiners: int, spread: float) -> None:
    standardised, plain, none = at_one_case_mix(
        examiners, spread, 4000, (FLOORED if examiners < 5 else SEED) + 500 + examiners
    )
    shown = f"| {standardised:.1%} | {plain:.1%} | {none:.1%} |".replace("%", " %")
    row = f"| {examiners} + {examiners} | {spread} {shown}"
    print(row)
    assert standardised <= 0.067
    assert standardised >= 0.033 or examiners < 5
    assert row in STUDIES.read_text(encoding="utf-8")

"""Does a study of the planned size do what the plan says?

Each setting: the size that `planning` gives, data of that size drawn many times, judged by the test or interval that a
run of the study uses. The table stands in docs/simulation-studies.md.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from compared_pair import compare_paired
from scipy.stats import chi2

from examtally.analytics import sample_size as planning
from examtally.analytics.comparison.paired import mcnemar
from examtally.analytics.diagnostic_accuracy.proportions import clopper_pearson, wilson

SEED = 20261125
DOCS = Path(__file__).resolve().parents[2] / "docs" / "simulation-studies.md"


@dataclass(frozen=True)
class Outcome:
    """What the plan stated and what was reached, with its Monte-Carlo error."""

    setting: str
    n: int
    stated: float
    reached: float
    error: float

    @property
    def row(self) -> str:
        stated, reached, error = (100 * value for value in (self.stated, self.reached, self.error))
        return f"| {self.setting} | {self.n:,} | {stated:.1f} | {reached:.1f} | {error:.2f} |"


def _share(setting: str, n: int, stated: float, found: np.ndarray) -> Outcome:
    reached = float(found.mean())
    return Outcome(setting, n, stated, reached, math.sqrt(stated * (1 - stated) / found.size))


def paired(difference: float, discordant: float, number: int, rng: np.random.Generator) -> Outcome:
    n = planning.paired(difference, discordant)
    cells = [(discordant + difference) / 2, (discordant - difference) / 2, 1 - discordant]
    drawn = rng.multinomial(n, cells, number)
    found = mcnemar(drawn[:, 0], drawn[:, 1]).p_midp <= 0.05
    name = f"paired: difference {difference:g}, {discordant:g} differ"
    return _share(name, n, planning.paired_power(n, difference, discordant), found)


def unpaired(first: float, second: float, number: int, rng: np.random.Generator) -> Outcome:
    """Chi-squared with N - 1, as in a run."""
    n = planning.unpaired(first, second)
    a, b = rng.binomial(n, first, number) / n, rng.binomial(n, second, number) / n
    mean = (a + b) / 2
    statistic = (a - b) ** 2 / np.maximum(mean * (1 - mean) * 2 / n, 1e-12) * (2 * n - 1) / (2 * n)
    found = chi2.sf(statistic, 1) <= 0.05
    return _share(
        f"unpaired: {first:g} against {second:g}, each group", n, planning.unpaired_power(n, first, second), found
    )


def unequal(first: float, second: float, ratio: float, number: int, rng: np.random.Generator) -> Outcome:
    """The same in groups of unequal size."""
    n, m = planning.unpaired_groups(first, second, ratio=ratio)
    a, b = rng.binomial(n, first, number), rng.binomial(m, second, number)
    mean = (a + b) / (n + m)
    spread = np.maximum(mean * (1 - mean) * (1 / n + 1 / m), 1e-12)
    statistic = (a / n - b / m) ** 2 / spread * (n + m - 1) / (n + m)
    found = chi2.sf(statistic, 1) <= 0.05
    stated = planning.unpaired_power(n, first, second, in_second=m)
    return _share(f"unpaired: {first:g} in {n:,} against {second:g} in {m:,}", n + m, stated, found)


def lower_limit(expected: float, least: float, number: int, rng: np.random.Generator) -> Outcome:
    n = planning.lower_limit(expected, least, 0.025, 0.8).stable
    found = clopper_pearson(rng.binomial(n, expected, number), n).low > least
    stated = float(planning.limit_power(n, expected, least, 0.025))
    return _share(f"lower limit: {expected:g} expected, above {least:g}", n, stated, found)


def half_width(sensitivity: float, width: float, number: int, rng: np.random.Generator) -> Outcome:
    """Mean half-width of the Wilson interval of a run."""
    n = planning.half_width(sensitivity, 0.5, width, 0.5).with_condition
    limits = wilson(rng.binomial(n, sensitivity, number), n)
    halves = (limits.high - limits.low) / 2
    error = float(halves.std() / math.sqrt(number))
    return Outcome(f"half-width {width:g} of sensitivity {sensitivity:g}", n, width, float(halves.mean()), error)


def two_knees(correlation: float, number: int, rng: np.random.Generator) -> Outcome:
    """Paired, everybody with two knees, the size raised by the design effect; the second knee a copy that often."""
    difference, discordant = 0.1, 0.2
    single = planning.paired(difference, discordant)
    n = planning.inflate(single, planning.Shares(1, 1, 1, planning.design_effect(4, 2, correlation)))
    people = math.ceil(n / 2)
    shares = [(discordant + difference) / 2, (discordant - difference) / 2, 1 - discordant]
    found = np.empty(number, dtype=bool)
    for place in range(number):
        first, other = rng.choice(3, size=(2, people), p=shares)
        second = np.where(rng.random(people) < correlation, first, other)
        kind = np.concatenate([first, second])
        a, b = (kind != 1).astype(float), (kind != 0).astype(float)
        made = compare_paired(a, b, np.ones(kind.size), np.tile(np.arange(people), 2))
        (row,) = [one for one in made if one.measure == "sensitivity" and one.contrast == "difference"]
        found[place] = row.p_value is not None and row.p_value <= 0.05
    stated = planning.paired_power(single, difference, discordant)
    return _share(f"paired, two knees a person, correlation {correlation:g}", 2 * people, stated, found)


Setting = Callable[[int, np.random.Generator], Outcome]
SETTINGS: dict[str, tuple[int, Setting]] = {
    "paired_10": (100_000, lambda number, rng: paired(0.1, 0.2, number, rng)),
    "paired_5": (100_000, lambda number, rng: paired(0.05, 0.12, number, rng)),
    "unpaired_15": (100_000, lambda number, rng: unpaired(0.85, 0.7, number, rng)),
    "unpaired_10": (100_000, lambda number, rng: unpaired(0.9, 0.8, number, rng)),
    "unpaired_ratio_05": (100_000, lambda number, rng: unequal(0.85, 0.7, 0.5, number, rng)),
    "unpaired_ratio_3": (100_000, lambda number, rng: unequal(0.85, 0.7, 3.0, number, rng)),
    "limit_70": (100_000, lambda number, rng: lower_limit(0.8, 0.7, number, rng)),
    "limit_75": (100_000, lambda number, rng: lower_limit(0.9, 0.75, number, rng)),
    "half_85": (100_000, lambda number, rng: half_width(0.85, 0.1, number, rng)),
    "half_95": (100_000, lambda number, rng: half_width(0.95, 0.05, number, rng)),
    "two_knees_0": (1_000, lambda number, rng: two_knees(0.0, number, rng)),
    "two_knees_5": (1_000, lambda number, rng: two_knees(0.5, number, rng)),
}
EXACT = (
    "unpaired_15",
    "unpaired_10",
    "unpaired_ratio_05",
    "unpaired_ratio_3",
    "paired_10",
    "paired_5",
    "limit_70",
    "limit_75",
)


def _run(name: str, number: int) -> Outcome:
    return SETTINGS[name][1](number, np.random.default_rng([SEED, sorted(SETTINGS).index(name)]))


@pytest.mark.parametrize("name", EXACT)
def test_stated_power_is_reached_in_a_short_run(name: str) -> None:
    made = _run(name, 20_000)
    assert abs(made.reached - made.stated) < 3 * made.error


@pytest.mark.study
@pytest.mark.parametrize("name", SETTINGS)
def test_a_study_of_the_planned_size_does_what_the_plan_says(name: str) -> None:
    made = _run(name, SETTINGS[name][0])
    print(f"\n{made.row}")
    if name in EXACT:
        assert abs(made.reached - made.stated) < 3 * made.error
    assert made.row in DOCS.read_text(encoding="utf-8")

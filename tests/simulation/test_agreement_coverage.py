"""Do the limits of the agreement statistics cover the truth as often as they say?

Each cohort: people, a fifth of them with two knees examined by two examiners, the second knee a copy of the first in
half of those; the examiners find what is there with one sensitivity and specificity and err independently.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from examtally.analytics.agreement.statistics import CALL_STATISTICS, call_statistics
from examtally.analytics.agreement.tables import agreement_table
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol

SEED = 20260402
# people, prevalence, sensitivity, specificity
SETTINGS = [
    (20, 0.4, 0.8, 0.9),
    (40, 0.1, 0.8, 0.95),
    (40, 0.4, 0.95, 0.97),
    (150, 0.1, 0.8, 0.95),
    (150, 0.4, 0.8, 0.9),
]


def shares(prevalence: float, sensitivity: float, specificity: float) -> np.ndarray:
    both = prevalence * sensitivity**2 + (1 - prevalence) * (1 - specificity) ** 2
    unlike = prevalence * sensitivity * (1 - sensitivity) + (1 - prevalence) * specificity * (1 - specificity)
    return np.array([both, unlike, unlike, 1 - both - 2 * unlike])


def truth(cells: np.ndarray) -> dict[str, float]:
    """Statistics of the population; as if of a billion pairs, so that alpha has no correction for few ratings."""
    many = 1e9 * cells
    positive = 2 * many[0] + many[1] + many[2]
    units = [1e9, many[0] + many[3], positive, 2e9, 2 * (many[1] + many[2])]
    return dict(zip(CALL_STATISTICS, call_statistics(np.array([*many, *units])).tolist(), strict=True))


def cohorts(people: int, cells: np.ndarray, number: int) -> pl.DataFrame:
    """Pairs of `number` cohorts, each a group."""
    rng = np.random.default_rng([SEED, people, round(1e6 * cells[0])])
    size = number * people
    first, other = rng.choice(4, size=(2, size), p=cells)
    second = np.where(rng.random(size) < 0.5, first, other)
    twice = np.nonzero(rng.random(size) < 0.2)[0]
    person = np.concatenate([np.arange(size), twice])
    call = np.concatenate([first, second[twice]])
    unit = np.arange(person.size)
    return pl.DataFrame(
        {
            "maneuver": "lachman", "group_by": "site", "participant": person, "unit": unit,
            "exam_a": 2 * unit, "exam_b": 2 * unit + 1, "a": (call < 2).astype(int), "b": (call % 2 == 0).astype(int),
        }
    ).with_columns(
        group=(pl.col("participant") // people).cast(pl.String),
        grade_a=pl.lit(None, pl.Int64), grade_b=pl.lit(None, pl.Int64),
    )  # fmt: skip


def coverage(setting: tuple[int, float, float, float], number: int, contract: Contract) -> pl.DataFrame:
    """Share of cohorts whose limits lie above the truth, cover it, and lie below it, and share that has limits."""
    people, *rates = setting
    cells = shares(*rates)
    table = agreement_table(cohorts(people, cells, number), contract, Protocol.defaults(contract))
    true = pl.col("statistic").replace_strict(truth(cells))
    return (
        table.filter(pl.col("statistic").is_in(CALL_STATISTICS), group_by="site")
        .group_by("statistic", maintain_order=True)
        .agg(
            (true < pl.col("ci_low")).mean().alias("above"),
            true.is_between("ci_low", "ci_high").mean().alias("covered"),
            (true > pl.col("ci_high")).mean().alias("below"),
            pl.col("ci_low").is_not_null().mean().alias("limited"),
        )
    )


@pytest.mark.parametrize("setting", [SETTINGS[1], SETTINGS[4]], ids=["young", "grown"])
def test_limits_cover_in_a_short_run(setting: tuple[int, float, float, float], contract: Contract) -> None:
    table = coverage(setting, 1000, contract)
    assert table.height == len(CALL_STATISTICS)
    assert table["covered"].min() > 0.9
    assert table["covered"].max() < 0.99
    assert table["limited"].min() > 0.98


@pytest.mark.study
@pytest.mark.parametrize("setting", SETTINGS, ids=str)
def test_limits_cover(setting: tuple[int, float, float, float], contract: Contract) -> None:
    number = 10_000
    people, prevalence, sensitivity, specificity = setting
    table = coverage(setting, number, contract)
    print(
        f"\n{people} people, prevalence {prevalence}, both examiners sensitivity {sensitivity}, specificity "
        f"{specificity}; {number} cohorts, Monte-Carlo error 0.002"
    )
    for row in table.iter_rows(named=True):
        print(
            f"  {row['statistic']:20} covered {row['covered']:.3f}   limits above the truth {row['above']:.3f}, "
            f"below {row['below']:.3f}   with limits {row['limited']:.3f}"
        )
    assert table["covered"].min() > 0.9

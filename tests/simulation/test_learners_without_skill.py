"""Learners who do not look, under a reference that errs: how often do their charts say that they reached the target?

Aim, stated before the first run: whoever always says negative, always says positive, or guesses, is "reached" in at
most 5 % of series. Good learners stand beside them as they come.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl
import pytest

from examtally.analytics.learning_curves.tables import learning_table
from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.protocol import load_protocol

SEED, CASES, PLANNED = 20_261_129, 240, 120
PREVALENCE, MRI = 0.4, (0.88, 0.93)
MOST = 0.05
CONTRACT = load_contract()
KEY = {"condition": "acl_tear", "maneuver": "lachman", "outcome": "reference"}

# learner, chance of a positive finding with the condition and without
UNSKILLED = {
    "always negative": (0.0, 0.0),
    "always positive": (1.0, 1.0),
    "guesses at the prevalence": (PREVALENCE, PREVALENCE),
    "guesses evenly": (0.5, 0.5),
    "guesses positive, four in five": (0.8, 0.8),
}
SKILLED = {"as the target asks": (0.8, 0.2), "better": (0.9, 0.1)}
# what supervisors answer, None where they set no target, and whether the errors of the reference are allowed for
TARGETS = {
    "levels of the protocol": (None, True),
    "the same, every status taken as true": (None, False),
    "set by supervisors": ((0.85, 0.12), True),
}


def right() -> tuple[float, float]:
    """Share of knees read present that have the condition, and of those read absent that do not."""
    with_it, without = PREVALENCE * np.array([MRI[0], 1 - MRI[0]]), (1 - PREVALENCE) * np.array([1 - MRI[1], MRI[1]])
    return float(with_it[0] / (with_it[0] + without[0])), float(without[1] / (with_it[1] + without[1]))


def examined(answers: tuple[float, float], cases: int, draw: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """What was read of each knee, and what was found, which knows nothing of the reading."""
    there = draw.random(cases) < PREVALENCE
    read = draw.random(cases) < np.where(there, MRI[0], 1 - MRI[1])
    return read, draw.random(cases) < np.where(there, *answers)


def learners(answers: tuple[float, float], series: int) -> pl.DataFrame:
    """The cases of so many learners who answer alike."""
    parts = []
    for number in range(series):
        read, found = examined(answers, CASES, np.random.default_rng([SEED, number]))
        place = np.arange(CASES) // 20
        parts.append(
            pl.DataFrame({"positive": read, "failed": found != read, "place": place, "participant": np.arange(CASES)})
            .with_columns(pl.format("P{}", "place").alias("period"), examiner_id=pl.lit(f"E{number:04}"))
            .with_columns(**{name: pl.lit(value) for name, value in KEY.items()})
        )
    return pl.concat(parts)


def supervisors(answers: tuple[float, float] | None) -> pl.DataFrame:
    """How often supervisors who answer so differ from the same reference, 400 knees."""
    read, found = examined(answers or (0.0, 0.0), 400, np.random.default_rng([SEED, 10**6]))
    counts = pl.DataFrame({"positive": read, "failed": found != read}).group_by("positive").agg(
        cases=pl.len(), failures=pl.col("failed").sum(), participants=pl.len()
    )  # fmt: skip
    counts = counts.with_columns(**{name: pl.lit(value) for name, value in KEY.items()})
    return counts.clear() if answers is None else counts


def reached(answers: tuple[float, float], target: str, series: int) -> float:
    """Share of learners whom the charts ever call reached."""
    others, is_allowed_for = TARGETS[target]
    protocol = load_protocol({"learning": {"planned": PLANNED, "orders": 11}}, CONTRACT)
    known = pl.DataFrame({"condition": "acl_tear", "positive": [True, False], "right": right()})
    table = learning_table(learners(answers, series), supervisors(others), protocol, known if is_allowed_for else None)
    assert table["limit"].null_count() == 0
    return table.filter(standing="reached")["examiner_id"].n_unique() / series


def rows(series: int) -> Iterator[tuple[str, str, float]]:
    """Learner, target and share reached."""
    for name, answers in (UNSKILLED | SKILLED).items():
        for target in TARGETS:
            yield name, target, reached(answers, target, series)


def test_nobody_reaches_the_target_without_looking_and_the_good_do_in_a_short_run() -> None:
    usual = "levels of the protocol"
    assert reached(UNSKILLED["guesses evenly"], usual, 60) <= MOST
    assert reached(UNSKILLED["always negative"], usual, 10) == 0
    assert (
        reached(SKILLED["as the target asks"], usual, 40)
        > 0.6
        > reached(SKILLED["as the target asks"], list(TARGETS)[1], 40)
    )


@pytest.mark.study
def test_nobody_reaches_the_target_without_looking() -> None:
    for name, said, share in rows(200):
        print(f"| {name} | {said} | {100 * share:.1f} |")
        assert name in SKILLED or share <= MOST

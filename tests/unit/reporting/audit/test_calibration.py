"""Stated probabilities as a reader gets them: shares of knees with n / N, and no verdict but that of the table."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from examtally.contracts.results import empty
from examtally.reporting.audit.calibration import band_cells, shares, told, verdict

AFTER = "examiner_after_exam"


def counts(*rows: tuple[float, int, float]) -> pl.DataFrame:
    made = [
        {"forecast": AFTER, "curve": "counts", "predicted": stated, "n": n, "expected": expected, "observed": 0.99}
        for stated, n, expected in rows
    ]
    return pl.DataFrame(made, schema_overrides={"expected": pl.Float64})


def measures(**slope: Any) -> pl.DataFrame:
    schema = empty("calibration").schema
    level = {"measure": "intercept", "ci_low": -0.2, "ci_high": 0.3, "forecast": AFTER}
    rows = [{**dict.fromkeys(schema), **row} for row in ({"measure": "slope", "forecast": AFTER, **slope}, level)]
    return pl.DataFrame(rows, schema=schema)


def test_a_sentence_quotes_counted_knees_and_never_the_smoothed_share() -> None:
    points = counts((0.0, 40, 0.6), (0.05, 20, 1.4), (0.1, 30, 4.0), (0.9, 10, 8.2), (1.0, 10, 9.9))
    assert shares(points, AFTER) == {0.0: (2, 60), 0.1: (4, 30), 0.9: (18, 20)}
    said = told(measures(ci_low=0.7, ci_high=1.2), points, AFTER)
    assert "of 60 «nouns» put below 10%, about 2 (3%) have it" in said
    assert "of 20 «nouns» put at 90% or more, about 18 (90%) have it" in said
    assert "99%" not in said
    assert band_cells(shares(points, AFTER)) == {
        **{"band_0.0": "3%\n2 / 60", "band_0.1": "13%\n4 / 30"},
        **{"band_0.5": "none", "band_0.9": "90%\n18 / 20"},
    }


def test_fewer_than_ten_knees_have_counts_and_no_share() -> None:
    cells = band_cells({0.0: (3, 9), 0.9: (9, 10)})
    assert (cells["band_0.0"], cells["band_0.9"]) == ("3 / 9", "90%\n9 / 10")


@pytest.mark.parametrize(
    ("word", "low", "high", "said"),
    [
        ("overconfident", 0.4, 0.9, "**Overconfident:**"),
        ("underconfident", 1.1, 1.9, "**Underconfident:**"),
        (None, 0.4, 0.9, "Neither over- nor underconfidence shows"),
        (None, None, None, "Too few to judge"),
    ],
)
def test_the_verdict_is_that_of_the_table_and_no_interval_is_judged_here(
    word: str | None, low: float | None, high: float | None, said: str
) -> None:
    text = verdict(measures(verdict=word, ci_low=low, ci_high=high), AFTER)
    assert text.startswith(said)
    assert ("confident:" in text) is (word is not None)

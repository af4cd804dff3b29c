"""The indicators table of a registry, and where lines held back are counted."""

from __future__ import annotations

import polars as pl

from examtally.results import Results
from examtally.results.steps.indicators import held_back_by_period


def test_lines_held_back_count_in_the_newest_month_their_batch_or_an_earlier_one_brought() -> None:
    batches = pl.DataFrame(
        {
            "batch_no": [1, 2, 2, 3, 4, 5],
            "held_back": [1, 2, 4, 8, 16, 32],
            "lines": [10, 20, 5, 30, 40, 90],
            "unchanged": [0, 0, 0, 0, 0, 40],
        }
    )
    newest = pl.DataFrame({"batch_no": [2, 4, 5], "period": ["P002", "P001", "P010"]})
    made = held_back_by_period(batches, newest)
    assert made.select("period", "numerator", "denominator").rows() == [("P002", 1 + 6 + 8 + 16, 105), ("P010", 32, 50)]


def test_without_an_exam_there_is_no_month_to_count_them_in() -> None:
    batches = pl.DataFrame({"batch_no": [1], "held_back": [3], "lines": [3], "unchanged": [0]})
    newest = pl.DataFrame(schema={"batch_no": pl.Int64, "period": pl.String})
    assert held_back_by_period(batches, newest).is_empty()


def test_the_registry_of_known_counts_has_its_indicators(results: Results) -> None:
    table = results.tables["indicators"]
    row = table.filter(indicator="verified", group_by="overall").sort("period").row(0, named=True)
    assert (row["numerator"], row["denominator"], row["mature"]) == (50, 50, True)
    held = table.filter(indicator="held_back").row(0, named=True)
    assert (held["numerator"], held["denominator"], held["mature"]) == (2, 55, False)
    assert not table["signal"].any()

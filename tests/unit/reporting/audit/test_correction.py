"""Corrected figures beside the naive ones: the words follow the figures, and silence where there are none."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from markdown_text import unescaped

from examtally.contracts.catalogue.clinical import Condition
from examtally.contracts.results import conform
from examtally.reporting import plain
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.correction import correction
from examtally.reporting.engine.numbers import percent
from examtally.reporting.plain import imaged
from examtally.results import Results

LACHMAN = {"condition": "acl_tear", "maneuver": "lachman", "group_by": "overall", "group": "all"}
EMPTY = "A cell of the verified knees is empty: only bounds can be given. Corrected by its own finding."


def corrected(audit: Audit, **changes: dict[str, Any]) -> Audit:
    """The audit with a corrected Lachman: by default 0.60 and 0.90, within 0.20-0.80 and 0.50-0.95."""
    seen = audit.table("accuracy").filter(adjustment="none", **LACHMAN)
    columns: dict[str, dict[str, Any]] = {
        "sensitivity": {"estimate": 0.6, "ci_low": 0.5, "ci_high": 0.7, "flag": None, "note": None},
        "specificity": {"estimate": 0.9, "ci_low": 0.85, "ci_high": 0.95, "flag": None, "note": None},
        "lr_positive": {"estimate": 6.0, "ci_low": 4.0, "ci_high": 9.0, "flag": None, "note": None},
        "lr_negative": {"estimate": 0.44, "ci_low": 0.3, "ci_high": 0.6, "flag": None, "note": None},
    }
    rows = [
        {**row, **columns[row["measure"]], **changes.get(row["measure"], {}), "adjustment": "verification"}
        for row in seen.iter_rows(named=True)
        if row["measure"] in columns
    ]
    both = seen.filter(pl.col("measure").is_in(["sensitivity", "specificity"]))
    bounded = both.with_columns(pl.lit("bounds").alias("adjustment"))
    limits = {"sensitivity": (0.2, 0.8), "specificity": (0.5, 0.95)}
    unknown = {"unverified_positive": 1, "unverified_negative": 1}
    bounds = [
        {**LACHMAN, **unknown, "measure": measure, "lower": low, "upper": high, "ci_low": low, "ci_high": high}
        for measure, (low, high) in limits.items()
    ]
    added = pl.DataFrame(rows, schema=seen.schema)
    tables = {
        **audit.results.tables,
        "accuracy": pl.concat([audit.table("accuracy"), added, bounded]),
        "verification_bounds": conform("verification_bounds", pl.DataFrame(bounds)),
    }
    return replace(audit, results=Results(tables, audit.results.provenance))


@pytest.fixture
def acl(clinic: Audit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Condition:
    monkeypatch.chdir(tmp_path)
    return clinic.catalogue.conditions["acl_tear"]


def naive(audit: Audit, measure: str) -> str:
    return percent(audit.estimate("acl_tear", "lachman", measure).value)


def test_the_sentence_says_what_was_what_is_and_how_often_knees_were_verified(clinic: Audit, acl: Condition) -> None:
    block = correction(corrected(clinic), acl)
    before = naive(clinic, "sensitivity"), naive(clinic, "specificity")
    tally = clinic.tally("acl_tear", "lachman")
    assert (
        f"Corrected, sensitivity falls from {before[0]} to 60% and specificity rises from {before[1]} to 90%." in block
    )
    assert re.search(rf"{tally['tp'] + tally['fp']} of \d+ \(\d+%\) «nouns» were verified after a positive", block)
    assumed = "nothing but what was written down decided who was imaged"
    assert assumed in imaged(corrected(clinic))
    assert assumed not in block, "what holds for every condition stands once"


def test_a_figure_that_stays_is_said_to_stay(clinic: Audit, acl: Condition) -> None:
    value = clinic.estimate("acl_tear", "lachman", "sensitivity").value
    block = correction(corrected(clinic, sensitivity={"estimate": value}), acl)
    assert f"sensitivity stays at {percent(value)}" in block
    assert "Other findings decided" not in block


def test_a_rise_that_this_finding_cannot_explain_is_laid_to_others(clinic: Audit, acl: Condition) -> None:
    assert "Other findings decided as well." in correction(corrected(clinic, sensitivity={"estimate": 0.99}), acl)


def test_the_picture_says_all_three_and_carries_its_data(clinic: Audit, acl: Condition) -> None:
    block = unescaped(correction(corrected(clinic), acl))
    assert "corrected 60%, bounds 20–80%" in block
    assert 'download="corrected-acl_tear.csv"' in block
    assert "(open disc)" in block
    drawn = next(Path("fig").glob("corrected-acl_tear-*.svg")).read_text(encoding="utf-8")
    for text in (naive(clinic, "sensitivity"), "60%", "20–80%", "90%", "50–95%"):
        assert f">{text}<" in drawn


def test_where_only_bounds_are_possible_the_reason_stands_alone(clinic: Audit, acl: Condition) -> None:
    nothing = {"estimate": None, "ci_low": None, "ci_high": None, "flag": "zero_cell", "note": EMPTY}
    block = correction(corrected(clinic, sensitivity=nothing), acl)
    assert (
        "Lachman test, sensitivity: A cell of the verified knees is empty: only bounds can be given. "
        "It lies within 20–80%." in block
    )
    assert "its own finding" not in block
    assert "Corrected, specificity rises" in block


def test_hidden_figures_stay_hidden(clinic: Audit, acl: Condition) -> None:
    block = correction(corrected(clinic, sensitivity={"display": "counts_only"}), acl)
    assert "60%" not in block
    assert "Too few people to correct it" in block


def test_a_side_of_too_few_says_so_in_its_place(clinic: Audit, acl: Condition) -> None:
    audit = corrected(clinic)
    hidden = pl.col("maneuver").eq("lachman") & pl.col("measure").eq("sensitivity") & pl.col("group_by").eq("overall")
    display = pl.when(hidden).then(pl.lit("counts_only")).otherwise(pl.col("display")).alias("display")
    tables = {**audit.results.tables, "accuracy": audit.table("accuracy").with_columns(display)}
    correction(replace(audit, results=Results(tables, audit.results.provenance)), acl)
    counts = clinic.estimate("acl_tear", "lachman", "sensitivity").counts
    drawn = next(Path("fig").glob("corrected-acl_tear-*.svg")).read_text(encoding="utf-8")
    assert f">{counts}, too few<" in drawn
    assert "20–80%" not in drawn


def test_a_weak_correction_is_called_weak(clinic: Audit, acl: Condition) -> None:
    block = correction(corrected(clinic, sensitivity={"flag": "too_few_verified"}), acl)
    assert "by its own finding alone (Begg and Greenes): Lachman test." in block


def test_results_without_corrections_say_that_they_are_uncorrected(clinic: Audit, acl: Condition) -> None:
    assert not clinic.is_corrected
    assert "were verified after" in correction(clinic, acl)
    assert "Corrected" not in correction(clinic, acl)
    assert "not corrected for who was" in plain.imaged(clinic)
    assert "Begg" not in plain.methods(clinic)

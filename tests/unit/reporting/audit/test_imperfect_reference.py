"""Figures that allow for a reference that errs: the words follow the tables, and silence where there are none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from examtally.contracts.catalogue.clinical import Condition
from examtally.contracts.results import conform
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.imperfect_reference import explained, imperfect_reference_block
from examtally.results import Results

LACHMAN = {"condition": "acl_tear", "maneuver": "lachman"}
FIGURES = {
    "sensitivity": (0.71, 0.53, 0.84),
    "specificity": (0.94, 0.88, 0.97),
    "lr_positive": (11.8, 6.0, 20.0),
    "lr_negative": (0.31, 0.2, 0.5),
}
PAIRS = ((0.87, 0.93, 0.71, True), (0.87, 0.96, 0.65, True), (0.87, 0.88, None, False))


def allowing(audit: Audit, *, here: float | None = 0.74, turns: float | None = 0.35, **changes: Any) -> Audit:
    """The audit with figures of the Lachman at the default, a grid of three, one tipping point and local MRI."""
    source = audit.catalogue.conditions["acl_tear"].reference_accuracy[0].source
    seen = audit.table("accuracy").filter(adjustment="none", group_by="overall", **LACHMAN)
    rows = [
        row
        | dict(zip(("estimate", "ci_low", "ci_high"), FIGURES[row["measure"]], strict=True))
        | {"adjustment": "reference_error", "flag": None, "note": None}
        | changes
        for row in seen.iter_rows(named=True)
        if row["measure"] in FIGURES
    ]
    grid = [
        LACHMAN
        | {"modality": "mri", "reference_sensitivity": alpha, "reference_specificity": beta, "source": source}
        | {"covariance_present": 0.0, "covariance_absent": 0.0, "measure": measure, "compatible": compatible}
        | {"estimate": value, "ci_low": value, "ci_high": value}
        for alpha, beta, value, compatible in PAIRS
        for measure in ("sensitivity", "specificity")
    ]
    tips = [
        LACHMAN
        | {"measure": measure, "statement": statement, "parameter": "covariance_share"}
        | {"value": turns if measure == "lr_negative" else None}
        for measure, statement in (("lr_positive", "doubles_odds"), ("lr_negative", "halves_odds"))
    ]
    local = [
        {"condition": "acl_tear", "modality": "mri", "measure": measure, "basis": "these_knees", "source": "these"}
        | {"estimate": here, "ci_low": here and 0.5, "ci_high": here and 0.9, "events": events, "n": n, "knees": 300}
        | {"note": None if here else "Too few knees had both: 9 without it (20 asked)."}
        for measure, events, n in (("sensitivity", 63, 65), ("specificity", 5, 9))
    ]
    tables = {
        **audit.results.tables,
        "accuracy": pl.concat([audit.table("accuracy"), pl.DataFrame(rows, schema=seen.schema)]),
        "reference_error": conform("reference_error", pl.DataFrame(grid)),
        "tipping": conform("tipping", pl.DataFrame(tips, infer_schema_length=None)),
        "reference_accuracy": conform("reference_accuracy", pl.DataFrame(local, infer_schema_length=None)),
    }
    return replace(audit, results=Results(tables, audit.results.provenance))


@pytest.fixture
def acl(clinic: Audit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Condition:
    monkeypatch.chdir(tmp_path)
    return clinic.catalogue.conditions["acl_tear"]


def test_the_figures_their_range_and_the_assumption_stand_together(clinic: Audit, acl: Condition) -> None:
    block = imperfect_reference_block(allowing(clinic), acl)
    assert "**Corrected for an imperfect reference standard as well**" in block
    assert "87% (77–94%) of «nouns» with the condition present and 93% (91–96%) of those without it absent" in block
    assert "misreads «nouns» that are easy and hard to examine alike" in explained(allowing(clinic))
    assert "misreads" not in block, "what holds for every condition stands once"
    assert "**Lachman test**: sensitivity 71% (53–84%) and specificity 94% (88–97%)." in block
    assert "Over everything published: 65–71%" in block


def test_where_a_conclusion_turns_is_said(clinic: Audit, acl: Condition) -> None:
    block = imperfect_reference_block(allowing(clinic), acl)
    assert "A positive finding at least doubles the odds, each assumption varied alone" in block
    wrong = "unless MRI and the exam tend to be wrong about the same «nouns»"
    assert f"a negative one at least halves them, {wrong}" in block
    assert "of the most possible" not in block
    weak = imperfect_reference_block(allowing(clinic, turns=None, estimate=0.6), acl)
    assert "it cannot be said that a negative one at least halves them" in weak


def test_an_interval_that_leaves_everything_open_has_no_figure(clinic: Audit, acl: Condition) -> None:
    block = imperfect_reference_block(allowing(clinic, ci_low=0.0, ci_high=1.0), acl)
    assert "**Lachman test**: too few «nouns» for a figure" in block
    assert "0–100%" not in block


def test_what_the_data_rule_out_is_said(clinic: Audit, acl: Condition) -> None:
    assert "These data do not fit MRI that is only 88% specific or less." in imperfect_reference_block(
        allowing(clinic), acl
    )
    block = imperfect_reference_block(
        allowing(clinic, estimate=None, ci_low=None, ci_high=None, flag="incompatible"), acl
    )
    assert "these data do not fit MRI of the published accuracy" in block


def test_local_mri_comes_with_its_counts_or_with_a_refusal(clinic: Audit, acl: Condition) -> None:
    block = imperfect_reference_block(allowing(clinic), acl)
    assert "74 of 300 «nouns» with MRI also had open surgery or arthroscopy" in block
    assert "MRI called 63 of 65 with the condition present and 5 of 9 without it absent" in block
    refused = imperfect_reference_block(allowing(clinic, here=None), acl)
    assert "Too few knees had both: 9 without it (20 asked)." in refused
    assert "74% (" not in refused


def test_hidden_figures_stay_hidden_and_no_rows_make_no_words(clinic: Audit, acl: Condition) -> None:
    assert imperfect_reference_block(clinic, acl) == ""
    block = imperfect_reference_block(allowing(clinic, display="counts_only"), acl)
    assert "71%" not in block
    assert "too few people had MRI and a clear finding" in block

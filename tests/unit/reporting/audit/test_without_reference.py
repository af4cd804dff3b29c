"""The appendix about two tests without a reference: figures with their beliefs, reasons, and silence."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import polars as pl

from examtally.contracts.results import conform
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.without_reference import without_reference
from examtally.results import Results

LACHMAN = {"condition": "acl_tear", "maneuver": "lachman"}
BOTH = (("sensitivity", 0.72), ("specificity", 0.88), ("reference_sensitivity", 0.86), ("reference_specificity", 0.93))


def with_rows(audit: Audit, *, display: str = "estimate", **nothing: Any) -> Audit:
    """The audit with both models of the Lachman; `nothing` takes away what two populations say."""
    blank = dict.fromkeys(("median", "prior_a", "prior_b", "r_hat", "ess_bulk"))
    rows = [
        LACHMAN | blank | {"model": model, "population": population, "parameter": name, "note": None}
        | {"mean": value, "ci_low": value - 0.1, "ci_high": value + 0.05}
        | (nothing if model == "two_populations" else {})
        for model, populations in (("two_tests", {"all": 0.23}), ("two_populations", {"acute": 0.5, "chronic": 0.2}))
        for name, value, population in (
            *((name, value, "all" if model == "two_tests" else "both") for name, value in BOTH),
            *(("prevalence", share, group) for group, share in populations.items()),
        )
    ]  # fmt: skip
    seen = audit.table("accuracy").filter(adjustment="none", group_by="overall", **LACHMAN)
    allowing = seen.with_columns(pl.lit("reference_error").alias("adjustment"), pl.lit(display).alias("display"))
    tables = {
        **audit.results.tables,
        "accuracy": pl.concat([audit.table("accuracy"), allowing]),
        "latent_class": conform("latent_class", pl.DataFrame(rows, infer_schema_length=None)),
    }
    return replace(audit, results=Results(tables, audit.results.provenance))


def test_both_methods_come_with_their_assumption_and_their_table(clinic: Audit) -> None:
    text = without_reference(with_rows(clinic))
    assert "In one population the result rests on the beliefs, however many «nouns» there are" in text
    assert "of MRI what is published" in text
    assert "72%<br /><small>62–77%</small>" in text
    assert "an assumption which these data cannot test" in text
    assert "The groups here are made by time since onset." in text
    assert "acute 50% (40–55%)<br /><small>chronic 20% (10–25%)</small>" in text


def test_what_cannot_be_given_has_its_reason(clinic: Audit) -> None:
    none = {"mean": None, "ci_low": None, "ci_high": None, "note": "The two populations do not differ enough."}
    text = without_reference(with_rows(clinic, **none))
    assert (
        "- No figure where the two populations do not differ enough (anterior cruciate ligament tear: Lachman" in text
    )
    assert text.count("<table>") == 1


def test_few_people_are_not_shown_and_without_rows_there_is_no_appendix(clinic: Audit) -> None:
    assert without_reference(with_rows(clinic, display="counts_only")) == ""
    assert without_reference(clinic) == ""

"""The tables about a reference that errs, from hand-made registries."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from clinic import Records, connect

from examtally.analytics.reference_error import Reference, correct_for_reference
from examtally.analytics.reference_error_tables import (
    ReferenceErrorTables,
    erring_modality,
    only_erring,
    reference_error_tables,
)
from examtally.cohort.cohort import build_cohort
from examtally.cohort.verification_frame import read_verification_frame
from examtally.contracts.contract import Contract
from examtally.contracts.protocol import load_protocol

KINDS = [(result, status) for result in ("positive", "negative") for status in ("present", "absent", None)]
COUNTS = (240, 60, 60, 45, 180, 300)
LACHMAN = {"condition": "acl_tear", "maneuver": "lachman"}


def registry(counts: tuple[int, ...] = COUNTS, scoped: int = 0) -> Records:
    """MRI says what `counts` say; of the first `scoped` knees an arthroscopy says the opposite."""
    records = Records()
    number = 0
    for (result, status), knees in zip(KINDS, counts, strict=True):
        for _ in range(knees):
            number += 1
            records.exam(f"EX{number}", f"PT{number}").finding(f"EX{number}", "lachman", result)
            if status:
                records.reference("acl_tear", status, participant_id=f"PT{number}", modality="mri")
            if status and number <= scoped:
                other = {"present": "absent", "absent": "present"}[status]
                records.reference("acl_tear", other, 20, participant_id=f"PT{number}", modality="arthroscopy")
    return records.exam("EX0", "PT0", period="2021-01")


def tables(records: Records, contract: Contract, **source: object) -> ReferenceErrorTables:
    protocol = load_protocol(source, contract)
    alone = only_erring(contract, protocol)
    with build_cohort(connect(contract, records), contract, alone) as cohort:
        frame = read_verification_frame(cohort.con, cohort.groupings, contract, alone)
    return reference_error_tables(frame, contract, protocol)


@pytest.fixture(scope="module")
def made(contract: Contract) -> ReferenceErrorTables:
    return tables(registry(), contract)


def at(frame: pl.DataFrame, measure: str, alpha: float, beta: float) -> pl.DataFrame:
    return frame.filter(**LACHMAN, measure=measure).filter(
        (pl.col("reference_sensitivity") - alpha).abs() < 1e-12, (pl.col("reference_specificity") - beta).abs() < 1e-12
    )


def test_verification_is_corrected_first_and_the_reference_second(
    made: ReferenceErrorTables, contract: Contract
) -> None:
    default = contract.catalogue.conditions["acl_tear"].reference_accuracy[0]
    pos_present, pos_absent, pos_none, neg_present, neg_absent, neg_none = COUNTS
    positive, negative = pos_present + pos_absent, neg_present + neg_absent
    up, down = 1 + pos_none / positive, 1 + neg_none / negative  # the finding alone decides who is verified
    cells = np.array([up * pos_present, up * pos_absent, down * neg_present, down * neg_absent])
    expected = correct_for_reference(cells, Reference(default.sensitivity, default.specificity))
    for measure in ("sensitivity", "specificity", "prevalence", "lr_positive"):
        rows = at(made.reference_error, measure, default.sensitivity, default.specificity)
        row = rows.filter(covariance_present=0.0).row(0, named=True)
        assert row["estimate"] == pytest.approx(expected.estimates[measure][0], abs=1e-9)
        assert row["ci_low"] < row["estimate"] < row["ci_high"]
        assert row["source"] == default.source
        # fewer verified knees than examined ones: wider than if every knee had been verified
        assert row["ci_high"] - row["ci_low"] > expected.limits[measure].high[0] - expected.limits[measure].low[0]
    assert rows.height == 3


def test_arthroscopy_is_ignored(made: ReferenceErrorTables, contract: Contract) -> None:
    again = tables(registry(scoped=60), contract)
    assert again.reference_error.equals(made.reference_error)
    assert again.tipping.equals(made.tipping)


def test_errors_that_go_together_lower_the_figures(made: ReferenceErrorTables) -> None:
    rows = at(made.reference_error, "sensitivity", 0.87, 0.93).sort("covariance_present")
    assert rows["covariance_present"][0] == 0.0
    assert rows["estimate"].is_sorted(descending=True)
    assert rows["estimate"].n_unique() == 3


def test_only_conditions_with_an_erring_reference_have_rows(made: ReferenceErrorTables, contract: Contract) -> None:
    protocol = load_protocol(None, contract)
    for condition in contract.catalogue.conditions.values():
        modality = erring_modality(condition, protocol)
        assert modality not in condition.taken_as_true
        assert modality is None or modality in {row.modality for row in condition.reference_accuracy}
    assert made.reference_error["condition"].unique().to_list() == ["acl_tear"]
    scoped = load_protocol({"reference": {"accepted": {"acl_tear": ["arthroscopy"]}}}, contract)
    assert erring_modality(contract.catalogue.conditions["acl_tear"], scoped) is None


def test_an_impossible_reference_is_null_and_says_so(contract: Contract) -> None:
    found = tables(registry((2, 40, 0, 1, 900, 0)), contract).reference_error
    assert not found.is_empty()
    row = at(found, "sensitivity", 0.87, 0.93).row(0, named=True)
    assert (row["estimate"], row["compatible"], row["flag"]) == (None, False, "incompatible")
    assert row["note"].startswith("Incompatible with these data")


def test_the_tipping_point_is_where_the_ratio_is_two(made: ReferenceErrorTables, contract: Contract) -> None:
    firm = made.tipping.filter(**LACHMAN)
    assert firm.height == 6
    assert (firm["note"] == "Holds at the default; nothing in the range searched changes that.").all()
    weak = tables(registry((100, 85, 0, 60, 155, 0)), contract).tipping.filter(**LACHMAN)
    row = weak.filter(measure="lr_positive", parameter="reference_specificity").row(0, named=True)
    found = correct_for_reference([100, 85, 60, 155], Reference(0.87, row["value"]))
    assert found.estimates["lr_positive"][0] == pytest.approx(2.0, abs=1e-6)
    assert row["note"].endswith("changes at this value.")


@pytest.mark.parametrize("counts", [(0, 0, 9, 0, 0, 9), (5, 0, 0, 5, 0, 0), (9, 4, 0, 0, 0, 8), (0, 0, 0, 9, 9, 0)])
def test_nothing_is_given_where_verification_cannot_be_corrected(counts: tuple[int, ...], contract: Contract) -> None:
    found = tables(registry(counts), contract)
    assert found.reference_error.is_empty()
    assert found.tipping.is_empty()


def test_one_participant_says_nothing_of_others(contract: Contract) -> None:
    records = registry((3, 1, 0, 1, 3, 0))
    assert not tables(records, contract).reference_error.is_empty()
    for name in ("exams", "references"):
        for episode, row in enumerate(records.tables[name][:8], 1):
            row |= {"participant_id": "PT1", "episode": episode}
    assert tables(records, contract).reference_error.is_empty()

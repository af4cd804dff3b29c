"""The tables about a reference that errs, from hand-made registries."""

from __future__ import annotations

import duckdb
import numpy as np
import polars as pl
import pytest
from clinic import Records, connect

from examtally.analytics.imperfect_reference.correction import Reference, correct_for_reference
from examtally.analytics.imperfect_reference.local_reference import (
    LocalReference,
    local_references,
    reference_accuracy_table,
)
from examtally.analytics.imperfect_reference.pairs import (
    ErringPair,
    erring_modality,
    erring_pairs,
    only_erring,
    only_taken_as_true,
)
from examtally.analytics.imperfect_reference.tables import (
    ReferenceErrorTables,
    reference_error_tables,
    with_reference_error,
)
from examtally.cohort.cohort import build_cohort
from examtally.cohort.verification_frame import read_verification_frame
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol, load_protocol
from examtally.contracts.results import conform, empty

KINDS = [(result, status) for result in ("positive", "negative") for status in ("present", "absent", None)]
COUNTS = (240, 60, 60, 45, 180, 300)
LACHMAN = {"condition": "acl_tear", "maneuver": "lachman"}


def registry(counts: tuple[int, ...] = COUNTS, scoped: int = 0, wrong: int = 1) -> Records:
    """MRI says what `counts` say; the first `scoped` had an arthroscopy, which says the opposite of each `wrong`th."""
    records = Records()
    number = 0
    for (result, status), knees in zip(KINDS, counts, strict=True):
        for _ in range(knees):
            number += 1
            records.exam(f"EX{number}", f"PT{number}").finding(f"EX{number}", "lachman", result)
            if status:
                records.reference("acl_tear", status, participant_id=f"PT{number}", modality="mri")
            if status and number <= scoped:
                opposite = {"present": "absent", "absent": "present"}[status]
                other = status if number % wrong else opposite
                records.reference("acl_tear", other, 20, participant_id=f"PT{number}", modality="arthroscopy")
    return records.exam("EX0", "PT0", period="2021-01")


_last: dict[str, tuple[duckdb.DuckDBPyConnection, dict[str, pl.DataFrame]]] = {}


def frame_under(records: Records, contract: Contract, protocol: Protocol) -> pl.DataFrame:
    """The frame of a registry under a protocol; the registry asked about last is kept with its frames."""
    asked, under = repr(records.tables), repr(protocol.to_dict())
    if asked not in _last:
        _last.clear()
        _last[asked] = (connect(contract, records), {})
    con, frames = _last[asked]
    if under not in frames:
        with build_cohort(con, contract, protocol) as cohort:
            frames[under] = read_verification_frame(cohort.con, cohort.groupings, contract, protocol)
    return frames[under]


def pairs_of(records: Records, contract: Contract, protocol: Protocol) -> list[ErringPair]:
    return erring_pairs(frame_under(records, contract, only_erring(contract, protocol)), contract, protocol)


def local_of(records: Records, contract: Contract, protocol: Protocol) -> list[LocalReference]:
    frames = (
        frame_under(records, contract, change(contract, protocol)) for change in (only_erring, only_taken_as_true)
    )
    return local_references(*frames, contract, protocol)


def tables(records: Records, contract: Contract, **source: object) -> ReferenceErrorTables:
    protocol = load_protocol(source, contract)
    pairs, local = (of(records, contract, protocol) for of in (pairs_of, local_of))
    return reference_error_tables(pairs, local, protocol)


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


def accuracy_rows(records: Records, contract: Contract, **source: object) -> pl.DataFrame:
    protocol = load_protocol(source, contract)
    made = with_reference_error(empty("accuracy"), pairs_of(records, contract, protocol), protocol)
    return conform("accuracy", made).filter(**LACHMAN)


def test_the_accuracy_table_holds_the_figures_at_the_default(made: ReferenceErrorTables, contract: Contract) -> None:
    rows = {row["measure"]: row for row in accuracy_rows(registry(), contract).iter_rows(named=True)}
    for measure in ("sensitivity", "specificity", "prevalence", "lr_positive", "lr_negative"):
        grid = at(made.reference_error, measure, 0.87, 0.93).filter(covariance_present=0.0).row(0, named=True)
        assert [rows[measure][name] for name in ("estimate", "ci_low", "ci_high")] == [
            grid[name] for name in ("estimate", "ci_low", "ci_high")
        ]
    sensitivity = rows["sensitivity"]
    assert (sensitivity["events"], sensitivity["n"], sensitivity["participants"]) == (240, 285, 285)
    assert (rows["lr_negative"]["events"], rows["lr_negative"]["n"]) == (225, 525)
    assert sensitivity["display"] == "estimate"
    assert sensitivity["reference"] == "erring_modality"
    assert "MRI of the knee 87% sensitive and 93% specific" in sensitivity["note"]
    assert "taken as given" in sensitivity["note"]
    assert "ppv" in rows
    assert "ppv" not in set(accuracy_rows(registry(), contract, predictive_values={"prevalence": 0.2})["measure"])


def test_a_pair_corrected_by_its_finding_alone_says_so_everywhere(contract: Contract) -> None:
    records = registry((12, 3, 6, 4, 12, 10))
    found, rows = tables(records, contract), accuracy_rows(records, contract)
    for frame in (found.reference_error.filter(compatible=True), found.tipping, rows.filter(pl.col("estimate") > 0)):
        assert frame.height
        assert frame["note"].str.contains("Begg and Greenes").all()
        assert "too_few_verified" in frame["flag"].to_list()


@pytest.mark.parametrize(
    ("counts", "flag"),
    [
        ((0, 0, 30, 0, 0, 30), "bounds_only"),  # no MRI
        ((20, 10, 5, 0, 0, 30), "bounds_only"),  # no negative was imaged
        ((20, 0, 5, 10, 0, 5), "bounds_only"),  # one class
        ((300, 5, 0, 2, 5, 0), "incompatible"),  # more torn than such an MRI can call sound
    ],
)
def test_where_there_is_no_figure_there_is_a_reason(counts: tuple[int, ...], flag: str, contract: Contract) -> None:
    rows = accuracy_rows(registry(counts), contract)
    assert rows["estimate"].null_count() == rows.height
    assert set(rows["flag"]) == {flag}
    assert rows["note"].null_count() == 0


def test_few_people_are_counted_and_not_shown(contract: Contract) -> None:
    rows = accuracy_rows(registry((3, 1, 0, 1, 3, 0)), contract)
    assert set(rows.filter(pl.col("measure") != "prevalence")["display"]) == {"counts_only"}


def test_mri_is_judged_by_knees_that_were_scoped_too(contract: Contract) -> None:
    records = registry(scoped=885, wrong=10)  # everybody with MRI
    (found,) = (each for each in local_of(records, contract, load_protocol({}, contract)) if each.estimate)
    tp, fp, fn, tn = found.both
    assert (tp + fp, fn + tn, found.knees) == (285, 240, 525)
    assert found.figures is not None
    assert found.figures[0].estimate == pytest.approx(tp / (tp + fn), abs=1e-9)
    assert found.figures[1].estimate == pytest.approx(tn / (fp + tn), abs=1e-9)


def test_what_these_knees_say_of_mri_stands_beside_what_is_published(contract: Contract) -> None:
    records, protocol = registry(scoped=500, wrong=12), load_protocol({}, contract)
    local = local_of(records, contract, protocol)
    frame = reference_accuracy_table(local).filter(condition="acl_tear")
    assert set(frame["basis"]) == {"published", "these_knees"}
    here = frame.filter(basis="these_knees")
    tp, fp, fn, tn = next(each.both for each in local if each.condition.code == "acl_tear")
    assert min(tp, fp, fn, tn) > 0
    counted = here.select("measure", "events", "n").rows()
    assert counted == [("sensitivity", tp, tp + fn), ("specificity", tn, fp + tn)]
    assert here["estimate"].null_count() == 0
    grid = tables(records, contract).reference_error.filter(**LACHMAN).filter(pl.col("source") == here["source"][0])
    assert grid["estimate"].null_count() == 0
    row = grid.filter(measure="sensitivity").row(0, named=True)
    assert row["reference_specificity"] == pytest.approx(here.filter(measure="specificity")["estimate"].item())


@pytest.mark.parametrize(("scoped", "wrong"), [(0, 1), (30, 10), (60, 1), (885, 1), (885, 10**6)])
def test_mri_is_not_judged_by_too_few_or_where_it_tells_nothing(scoped: int, wrong: int, contract: Contract) -> None:
    protocol = load_protocol({}, contract)
    records = registry(scoped=scoped, wrong=wrong)
    local = local_of(records, contract, protocol)
    frame = reference_accuracy_table(local)
    here = frame.filter(condition="acl_tear", basis="these_knees")
    assert here["estimate"].null_count() == here.height == 2
    assert here["note"].null_count() == 0
    assert here["knees"].unique().to_list() == [525]
    tp, fp, fn, tn = next(each.both for each in local if each.condition.code == "acl_tear")
    few = here["note"][0].removeprefix("Too few «nouns» had both: ")
    for said in few.removesuffix(".").split(", ") if few != here["note"][0] else ():
        n, words = said.split(" (")[0].split(" ", 1)
        assert int(n) == {"with the condition": tp + fn, "without it": fp + tn}.get(words, fn + tn)
    found = reference_error_tables(pairs_of(records, contract, protocol), local, protocol)
    assert not found.reference_error["source"].str.starts_with("These").any()


def test_knees_say_nothing_of_a_reference_where_nothing_is_taken_as_true(contract: Contract) -> None:
    frame = reference_accuracy_table(local_of(registry(), contract, load_protocol({}, contract)))
    without = {code for code, each in contract.catalogue.conditions.items() if not each.taken_as_true}
    bases = frame.filter(pl.col("condition").is_in(without)).group_by("condition").agg(pl.col("basis").unique())
    assert {"mcl_injury", "knee_effusion"} <= set(bases["condition"])
    assert set(bases["basis"].explode()) == {"published"}
    assert set(frame.filter(condition="acl_tear")["basis"]) == {"published", "these_knees"}


def test_surgery_that_the_protocol_does_not_accept_does_not_judge_mri(contract: Contract) -> None:
    records = registry(scoped=885, wrong=10)
    protocol = load_protocol({"reference": {"accepted": {"acl_tear": ["mri"]}}}, contract)
    found = next(each for each in local_of(records, contract, protocol) if each.condition.code == "acl_tear")
    assert sum(found.both) == 0
    assert found.figures is None

"""The table about two tests without a reference, from hand-made registries."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from clinic import Records, connect
from scipy.stats import beta

from examtally.analytics.imperfect_reference.latent_class_tables import (
    effective_cells,
    latent_class_table,
    prior_counts,
)
from examtally.analytics.imperfect_reference.pairs import ErringPair, erring_pairs, only_erring
from examtally.analytics.verification_bias.corrected import CorrectedCells
from examtally.cohort.cohort import build_cohort
from examtally.cohort.verification_frame import read_verification_frame
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import load_protocol

LACHMAN = {"condition": "acl_tear", "maneuver": "lachman"}
CELLS = [(result, status) for result in ("positive", "negative") for status in ("present", "absent")]
# Lachman 0.80 and 0.90, MRI 0.87 and 0.93, prevalence 0.5 and 0.1, 400 knees each: expected counts
ACUTE, CHRONIC = (141, 39, 47, 173), (30, 38, 30, 302)


def registry(*groups: tuple[int, tuple[int, ...]]) -> Records:
    """Knees with MRI, (days since onset, counts of positive and negative findings with and without a tear on MRI)."""
    records = Records()
    number = 0
    for days, counts in groups:
        for (result, status), knees in zip(CELLS, counts, strict=True):
            for _ in range(knees):
                number += 1
                records.exam(f"EX{number}", f"PT{number}", days_since_onset=days)
                records.finding(f"EX{number}", "lachman", result)
                records.reference("acl_tear", status, participant_id=f"PT{number}", modality="mri")
    return records.exam("EX0", "PT0", period="2021-01")


def pairs(records: Records, contract: Contract) -> list[ErringPair]:
    protocol = load_protocol({}, contract)
    alone = only_erring(contract, protocol)
    with build_cohort(connect(contract, records), contract, alone) as cohort:
        frame = read_verification_frame(cohort.con, cohort.groupings, contract, alone)
    return erring_pairs(frame, contract, protocol)


@pytest.fixture(scope="module")
def two(contract: Contract) -> list[ErringPair]:
    return pairs(registry((5, ACUTE), (200, CHRONIC)), contract)


def table(of: list[ErringPair], contract: Contract, **keys: object) -> pl.DataFrame:
    return latent_class_table(of, load_protocol({"latent_class": keys}, contract)).filter(**LACHMAN)


def test_both_models_recover_what_made_the_counts(two: list[ErringPair], contract: Contract) -> None:
    found = table(two, contract, draws=4000)
    truth = {"sensitivity": 0.80, "specificity": 0.90, "reference_sensitivity": 0.87, "reference_specificity": 0.93}
    for model, population in (("two_tests", "all"), ("two_populations", "both")):
        rows = {row["parameter"]: row for row in found.filter(model=model, population=population).iter_rows(named=True)}
        for name, value in truth.items():
            assert rows[name]["mean"] == pytest.approx(value, abs=0.05)
            assert rows[name]["ci_low"] < value < rows[name]["ci_high"]
    shares = found.filter(model="two_populations", parameter="prevalence")
    assert dict(shares.select("population", "mean").iter_rows()) == pytest.approx(
        {"acute": 0.5, "chronic": 0.1}, abs=0.03
    )


def test_with_one_population_the_belief_is_named_and_said_to_decide(two: list[ErringPair], contract: Contract) -> None:
    found = table(two, contract, draws=4000, populations="none")
    assert set(found["model"]) == {"two_tests"}
    assert found["note"].str.contains("the answer rests on the beliefs stated beforehand").all()
    assert found["prior_a"].null_count() == found["r_hat"].null_count() == found["ess_bulk"].null_count() == 0
    firm = table(two, contract, draws=4000, populations="none", finding_a=600, finding_b=400)
    of = {"parameter": "sensitivity"}
    assert firm.filter(**of)["mean"].item() < found.filter(**of)["mean"].item() - 0.05


def test_chains_that_have_not_met_give_no_figure(two: list[ErringPair], contract: Contract) -> None:
    found = table(two, contract, draws=200, published_weight=0.001, populations="none")
    assert set(found["flag"]) == {"not_converged"}
    assert found["mean"].null_count() == found.height == 5
    assert found["r_hat"].null_count() == 0


def test_chains_that_have_not_met_run_once_more_and_longer(two: list[ErringPair], contract: Contract) -> None:
    short, long = (table(two, contract, draws=draws, populations="none") for draws in (1000, 4000))
    assert short["mean"].to_list() == long["mean"].to_list()  # the longer chains are those asked for in the first place
    assert set(short["flag"]) == {None}


@pytest.mark.parametrize(
    ("groups", "words"),
    [
        (((5, ACUTE), (200, ACUTE)), "do not differ enough in prevalence"),
        (((5, ACUTE),), "No two groups"),
        (((5, ACUTE), (200, (2, 3, 1, 4))), "No two groups"),
    ],
)
def test_populations_that_cannot_tell_are_refused(
    groups: tuple[tuple[int, tuple[int, ...]], ...], words: str, contract: Contract
) -> None:
    found = table(pairs(registry(*groups), contract), contract, draws=200).filter(model="two_populations")
    assert found["mean"].null_count() == found.height > 0
    assert found["note"].str.contains(words).all()


@pytest.mark.parametrize("counts", [(0, 0, 0, 0), (20, 0, 10, 0), (0, 0, 30, 30), (30, 0, 10, 20)])
def test_without_data_there_are_reasons_and_no_figures(counts: tuple[int, ...], contract: Contract) -> None:
    found = table(pairs(registry((5, counts)), contract), contract)
    assert found["mean"].null_count() == found.height
    assert found["note"].null_count() == 0


def test_knees_of_one_person_count_once_and_alike_knees_as_they_are() -> None:
    cells = np.array([40.0, 10.0, 20.0, 30.0])
    alone = CorrectedCells(cells[None], np.diag(cells)[None], np.array([np.inf]))
    assert effective_cells(alone)[0] == pytest.approx(cells)
    twice = CorrectedCells(2 * cells[None], 4 * np.diag(cells)[None], np.array([np.inf]))
    assert effective_cells(twice)[0] == pytest.approx(cells)


def test_a_belief_is_as_wide_as_what_is_published(contract: Contract) -> None:
    row = contract.catalogue.conditions["acl_tear"].reference_accuracy[0]
    a, b = prior_counts(row, "sensitivity", 1.0)
    assert beta.mean(a, b) == pytest.approx(0.87)
    assert beta.std(a, b) == pytest.approx((0.94 - 0.77) / (2 * 1.96), rel=1e-3)
    assert sum(prior_counts(row, "sensitivity", 0.5)) == pytest.approx((a + b) / 2)


@pytest.mark.parametrize("limits", [(None, None), (0.9, 1.0)])
def test_a_published_certainty_stays_a_belief(contract: Contract, limits: tuple[float | None, float | None]) -> None:
    row = contract.catalogue.conditions["acl_tear"].reference_accuracy[0]
    sure = replace(row, specificity=1.0, specificity_low=limits[0], specificity_high=limits[1])
    a, b = prior_counts(sure, "specificity", 1.0)
    assert (min(a, b) > 0, beta.mean(a, b)) == (True, pytest.approx(0.99))

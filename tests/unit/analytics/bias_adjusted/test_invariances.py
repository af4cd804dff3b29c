"""What must not matter to the leading estimate does not: order of rows, more people alike, names of the two states."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType, SimpleNamespace
from typing import Any

import numpy as np
import polars as pl
import pytest
from hidden_status import PRIORS, hide
from known_clinic import overall_accuracy
from polars.testing import assert_frame_equal

from examtally.analytics.bias_adjusted.figures import Cells, measures
from examtally.analytics.bias_adjusted.knees import StatusKnees
from examtally.analytics.bias_adjusted.model import fit
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import load_protocol
from examtally.results.steps import leading
from examtally.results.work import Work
from examtally.synthesis.clinic import draw_parts, open_clinic
from examtally.synthesis.membership import MemoryCohort
from examtally.synthesis.scenario_file import load_scenario

Records = Mapping[str, pl.DataFrame]
WORLDS = Path(__file__).resolve().parents[3] / "simulation" / "worlds"
PAIR = {"condition": "acl_tear", "maneuver": "lachman"}
MEASURES = ("sensitivity", "specificity")
EXAMS = 1_500


def records_of(world: str | None = None) -> Records:
    """Records of the clinic of a world."""
    scenario = load_scenario(WORLDS / f"{world}.yaml" if world else None)
    (part,) = draw_parts(open_clinic(replace(scenario, reference_people=2_000), 812_021), EXAMS)
    return part.records


def analysed(parts: Sequence[Records], contract: Contract, made: Callable[[Work], pl.DataFrame]) -> pl.DataFrame:
    """A table of an analysis of these records in which one condition is settled."""
    chosen = load_protocol(None, contract)
    accepted = {code: tests for code, tests in chosen.reference.accepted.items() if code == PAIR["condition"]}
    chosen = replace(chosen, reference=replace(chosen.reference, accepted=MappingProxyType(accepted)))
    with MemoryCohort(contract) as memory:
        for records in parts:
            memory.add(records)
        registry: Any = SimpleNamespace(con=memory.con)
        work = Work(registry, contract, chosen, with_examiners=False, progress=None)
        try:
            return made(work)
        finally:
            work.close()


def figure(table: pl.DataFrame, measure: str) -> tuple[float, float, float]:
    """Estimate and limits in the table `leading`, everybody together."""
    (row,) = table.filter(**PAIR, group_by="overall").to_dicts()
    return row[measure], row[f"{measure}_low"], row[f"{measure}_high"]


@pytest.fixture(scope="module")
def records() -> Records:
    return records_of()


@pytest.fixture(scope="module")
def table(records: Records, contract: Contract) -> pl.DataFrame:
    return analysed([records], contract, leading.leading)


def test_the_order_of_rows_in_the_registry_changes_nothing(
    records: Records, table: pl.DataFrame, contract: Contract
) -> None:
    shuffled = {name: rows.sample(fraction=1, shuffle=True, seed=3) for name, rows in records.items()}
    assert not shuffled["exams"].equals(records["exams"])
    assert_frame_equal(analysed([shuffled], contract, leading.leading), table, check_exact=True)


def test_as_many_people_again_leave_the_figures_and_narrow_the_limits(
    records: Records, table: pl.DataFrame, contract: Contract
) -> None:
    keys = ("participant_id", "exam_id", "reference_id")
    again = {
        name: rows.with_columns(pl.concat_str(pl.lit("Z"), key).alias(key) for key in keys if key in rows.columns)
        for name, rows in records.items()
        if name != "examiners"
    }
    twice = analysed([records, again], contract, leading.leading)
    for measure in MEASURES:
        (once, low, high), (doubled, nearer_low, nearer_high) = figure(table, measure), figure(twice, measure)
        assert doubled == pytest.approx(once, abs=(high - low) / 4)  # what was believed beforehand weighs less
        assert (nearer_high - nearer_low) / (high - low) == pytest.approx(np.sqrt(0.5), abs=0.15)


def test_a_perfect_reference_for_every_knee_gives_the_plain_figures(contract: Contract) -> None:
    accuracy = analysed([records_of("perfect_reference")], contract, overall_accuracy).filter(**PAIR)
    for measure in MEASURES:
        plain, led = (
            accuracy.filter(measure=measure, adjustment=name).select("estimate", "ci_low", "ci_high").row(0)
            for name in ("none", "bias_adjusted")
        )
        assert led == pytest.approx(plain, abs=0.02)


def mirrored(knees: StatusKnees) -> StatusKnees:
    """The same knees, with present called absent and positive called negative."""
    names = {"positive": "negative", "negative": "positive"}
    terms = replace(knees.terms, columns=-knees.terms.columns)
    frame = knees.frame.with_columns(pl.all().replace(names))
    return replace(knees, frame=frame, terms=terms, reads=1 - knees.reads, truth=1 - knees.truth)


def test_the_two_states_change_places_with_their_names() -> None:
    knees = hide(900, 3).knees
    swapped = tuple(
        replace(prior, measure=measure) for measure in MEASURES for prior in PRIORS if prior.measure != measure
    )
    shares = {}
    for name, each, priors, delta in (("plain", knees, PRIORS, -0.3), ("mirror", mirrored(knees), swapped, 0.3)):
        model = fit(each, priors, 1600, 7, delta, 0.4)
        positive = (each.frame["result_a"] == "positive").to_numpy()
        present, absent = model.draws.sums(np.array([positive, ~positive]))
        drawn = measures(Cells(tp=present[0], fp=absent[0], fn=present[1], tn=absent[1]))
        shares[name] = {measure: np.quantile(drawn[measure], [0.025, 0.5, 0.975]) for measure in MEASURES}
    assert shares["mirror"]["sensitivity"] == pytest.approx(shares["plain"]["specificity"], abs=0.01)
    assert shares["mirror"]["specificity"] == pytest.approx(shares["plain"]["sensitivity"], abs=0.02)

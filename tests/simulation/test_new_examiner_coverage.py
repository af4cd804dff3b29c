"""Do the intervals that claim to reach examiners like these cover the accuracy of the examiners they were drawn from?

Each cohort is a role: examiners drawn from a population (skill normal on the logit scale), each with the same number of
people, a sixth of whom have both knees in it with errors alike. The truth is the mean accuracy in that population.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations_with_replacement
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.special import expit, logit

from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table
from examtally.analytics.diagnostic_accuracy.clustering import CELLS
from examtally.analytics.diagnostic_accuracy.two_by_two import DENOMINATORS
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol

SEED = 20260418
ALIKE, TWO_KNEED = 0.5, 1 / 6
MEASURES = ("sensitivity", "specificity", "lr_positive")
ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Setting:
    """Examiners a role, people an examiner, half of them torn, and how far examiners differ (SD, logit)."""

    examiners: int
    people: int
    spread: float
    sensitivity: float = 0.80
    specificity: float = 0.85

    def truth(self) -> dict[str, float]:
        """Population means of examiners' sensitivity and specificity, and their positive likelihood ratio."""
        nodes, weights = np.polynomial.hermite_e.hermegauss(60)
        means = [
            float(weights @ expit(logit(middle) + self.spread * nodes) / weights.sum())
            for middle in (self.sensitivity, self.specificity)
        ]
        return {"sensitivity": means[0], "specificity": means[1], "lr_positive": means[0] / (1 - means[1])}

    def cells(self, cohorts: int, rng: np.random.Generator) -> np.ndarray:
        """Cell counts of each person, (cohorts, examiners, people, 4); the knees of a person are of one kind."""
        shape = (cohorts, self.examiners, self.people)
        torn = np.broadcast_to(np.arange(self.people) % 2 == 0, shape)
        skill = rng.normal(scale=self.spread, size=(2, cohorts, self.examiners, 1))
        accuracy = np.where(torn, expit(logit(self.sensitivity) + skill[0]), expit(logit(self.specificity) + skill[1]))
        draws = rng.random((2, *shape))
        draws[1] = np.where(rng.random(shape) < ALIKE, draws[0], draws[1])
        knees = np.stack([np.ones(shape, dtype=bool), rng.random(shape) < TWO_KNEED])
        right = ((draws < accuracy) & knees).sum(axis=0)
        wrong = knees.sum(axis=0) - right
        return np.stack([right * torn, wrong * ~torn, wrong * torn, right * ~torn], axis=-1)


SETTINGS = [Setting(4, 30, 0.5), Setting(8, 30, 0.5), Setting(20, 30, 0.5), Setting(8, 30, 0.0), Setting(8, 100, 1.0)]


def _sums(counts: np.ndarray, prefix: str = "") -> dict[str, np.ndarray]:
    """Sums of products over clusters; `counts` is (cohorts, clusters, 4)."""
    pairs = combinations_with_replacement(range(4), 2)
    return {f"{prefix}{CELLS[i]}_{CELLS[j]}": (counts[..., i] * counts[..., j]).sum(axis=1) for i, j in pairs}


def _behind(counts: np.ndarray, name: str) -> dict[str, np.ndarray]:
    """Clusters behind each margin."""
    places = {key: [CELLS.index(cell) for cell in cells] for key, cells in DENOMINATORS.items()}
    return {
        name if key == "all" else f"{name}_{key}": (counts[..., place].sum(axis=-1) > 0).sum(axis=1)
        for key, place in places.items()
    }


def frames(cells: np.ndarray) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Tallies by role and sums over examiners, a role a cohort."""
    cohorts, examiners, people, _ = cells.shape
    of_people = cells.reshape(cohorts, examiners * people, 4)
    of_examiners = cells.sum(axis=2)
    key = pl.DataFrame({"group": [f"R{number:05}" for number in range(cohorts)]}).with_columns(
        condition=pl.lit("acl_tear"), maneuver=pl.lit("lachman"), group_by=pl.lit("role")
    )
    total = {cell: of_people[..., place].sum(axis=1) for place, cell in enumerate(CELLS)}
    tallies = key.with_columns(
        **{
            name: pl.Series(values)
            for name, values in (total | _sums(of_people) | _behind(of_people, "participants")).items()
        }
    )
    clusters = _sums(of_examiners, "ex_") | _sums(of_people, "px_") | _behind(of_examiners, "examiners")
    return tallies, key.drop("group_by").with_columns(**{name: pl.Series(values) for name, values in clusters.items()})


def coverage(setting: Setting, cohorts: int, contract: Contract, protocol: Protocol) -> pl.DataFrame:
    """Share of cohorts whose limits cover the truth, with the sums over examiners and without them."""
    rng = np.random.default_rng([SEED, setting.examiners, setting.people, round(100 * setting.spread)])
    tallies, clusters = frames(setting.cells(cohorts, rng))
    rows = []
    for reach, sums in (("new_examiners", clusters), ("these_examiners", None)):
        accuracy = accuracy_table(tallies, sums, contract, protocol)
        for measure, truth in setting.truth().items():
            of = accuracy.filter(measure=measure)
            assert set(of["generalises_to"]) == {reach}
            low, high = of["ci_low"].fill_null(-np.inf), of["ci_high"].fill_null(np.inf)
            rows.append((measure, reach, truth, ((low <= truth) & (high >= truth)).mean()))
    return pl.DataFrame(rows, schema=["measure", "reach", "truth", "covered"], orient="row")


def test_intervals_reach_new_examiners_in_a_short_run(contract: Contract, protocol: Protocol) -> None:
    table = coverage(Setting(8, 30, 0.5), 400, contract, protocol)
    covered = {(row["measure"], row["reach"]): row["covered"] for row in table.iter_rows(named=True)}
    for measure in MEASURES:
        assert covered[measure, "new_examiners"] > 0.91
        assert covered[measure, "these_examiners"] < covered[measure, "new_examiners"] - 0.03


@pytest.mark.study
def test_intervals_reach_new_examiners(contract: Contract, protocol: Protocol) -> None:
    cohorts = 4000
    print(f"\n{len(SETTINGS)} settings of {cohorts} cohorts, seed {SEED}: half a minute")
    lines = [
        "| examiners | people each | SD of skill, logit | measure | truth | new examiners | these examiners |",
        "|---:|---:|---:|---|---:|---:|---:|",
    ]
    for setting in SETTINGS:
        table = coverage(setting, cohorts, contract, protocol)
        for measure, truth in setting.truth().items():
            covered = {row["reach"]: 100 * row["covered"] for row in table.filter(measure=measure).to_dicts()}
            lines.append(
                f"| {setting.examiners} | {setting.people} | {setting.spread:g} | {measure} | {truth:.4g} "
                f"| {covered['new_examiners']:.1f} | {covered['these_examiners']:.1f} |"
            )
    table_text = "\n".join(lines)
    print(table_text)
    assert table_text in (ROOT / "docs" / "simulation-studies.md").read_text(encoding="utf-8"), (
        "renew the documentation"
    )

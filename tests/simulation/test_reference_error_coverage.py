"""Accuracy when MRI errs and surgery follows it: which correction finds the truth?

The long run, some minutes, keeps what it has in ./study/reference_error and goes on from there. Its table stands in
docs/simulation-studies.md, and the run fails where the two differ.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.special import expit

from examtally.analytics.imperfect_reference.correction import (
    Reference,
    ReferenceCorrected,
    correct_for_reference,
    correct_for_uncertain_reference,
)
from examtally.analytics.imperfect_reference.pairs import covariance_of
from examtally.analytics.verification_bias.aipw import aipw, augmented
from examtally.analytics.verification_bias.corrected import CorrectedCells, correct
from examtally.analytics.verification_bias.grouped import Grouped
from examtally.analytics.verification_bias.models import fit_models

SEED, COHORTS, BATCH, KNEES = 20260701, 2000, 250, 2000
PREVALENCE = 0.3
TRUTH = {"sensitivity": 0.80, "specificity": 0.90, "MRI's sensitivity": 0.87, "MRI's specificity": 0.93}
MRI = Reference(TRUTH["MRI's sensitivity"], TRUTH["MRI's specificity"])
BOTH = ("sensitivity", "specificity")
RIGHT = ("MRI alone, then its errors", "MRI alone, then its errors as estimated here")
WRONG = "best modality, then MRI's errors"
ROOT = Path(__file__).resolve().parents[2]
KEPT = ROOT / "study" / "reference_error"
Row = tuple[str, str, float, float, float]


def cohort(rng: np.random.Generator) -> list[Row]:
    """Estimate and limits of every estimator in one cohort, NaN where there are none."""
    present = rng.random(KNEES) < PREVALENCE
    positive = rng.random(KNEES) < np.where(present, TRUTH["sensitivity"], 1 - TRUTH["specificity"])
    effusion = rng.random(KNEES) < np.where(present, 0.6, 0.3)
    mri = rng.random(KNEES) < np.where(present, TRUTH["MRI's sensitivity"], 1 - TRUTH["MRI's specificity"])
    imaged = rng.random(KNEES) < expit(-1.5 + 1.5 * positive + effusion)
    scoped = imaged & (rng.random(KNEES) < expit(-3.0 + 3.2 * mri + 0.8 * positive))
    findings = np.column_stack([positive, effusion]).astype(float)
    alone = table(positive, findings, imaged, mri)
    best = table(positive, findings, imaged, np.where(scoped, present, mri))
    here = aipw(mri[imaged], present[imaged], scoped[imaged], findings[imaged])
    seen = scoped & present, scoped & ~present
    rows: list[Row] = []
    for name, then, kept in (("MRI alone", RIGHT[0], alone), ("best modality", WRONG, best)):
        rows += [(measure, name, *plain(kept, measure)) for measure in BOTH]
        found = correct_for_reference(kept.cells, MRI, covariance_of(kept))
        rows += [(measure, then, *of(found, measure)) for measure in BOTH]
    rows += [("MRI's sensitivity", "surgery as it came", float(mri[seen[0]].mean()), np.nan, np.nan)]
    rows += [("MRI's specificity", "surgery as it came", float((~mri[seen[1]]).mean()), np.nan, np.nan)]
    first, second = here.sensitivity, here.specificity
    if first is None or second is None:
        return rows
    rows += [
        (f"MRI's {measure}", "corrected for who was operated on", figure.estimate, figure.ci_low, figure.ci_high)
        for measure, figure in zip(BOTH, (first, second), strict=True)
    ]
    spread = np.diag([(each.se / (each.estimate * (1 - each.estimate))) ** 2 for each in (first, second)])
    spread[0, 1] = spread[1, 0] = here.covariance or 0.0
    local = correct_for_uncertain_reference(
        alone.cells[0], first.estimate, second.estimate, spread, covariance_of(alone)
    )
    return [*rows, *((measure, RIGHT[1], *of(local, measure)) for measure in BOTH)]


def table(positive: np.ndarray, findings: np.ndarray, known: np.ndarray, status: np.ndarray) -> CorrectedCells:
    """Finding against status, corrected for who has one."""
    models = fit_models(findings, known, status & known)
    rows = augmented(positive, status & known, known, models.chance, models.expected)
    grouped = Grouped.of(np.arange(KNEES))
    return CorrectedCells(grouped.sums(rows), grouped.products(rows), grouped.clusters())


def plain(kept: CorrectedCells, measure: str) -> tuple[float, float, float]:
    found = correct(kept, measure)
    return float(found.estimate[0]), float(found.limits.low[0]), float(found.limits.high[0])


def of(found: ReferenceCorrected, measure: str) -> tuple[float, float, float]:
    limits = found.limits[measure]
    value = found.estimates[measure][0] if found.compatible[0] else np.nan
    return float(value), float(limits.low[0]), float(limits.high[0])


def cohorts(number: int, size: int) -> pl.DataFrame:
    """One batch; the same whatever ran before."""
    rng = np.random.default_rng([SEED, number])
    rows = [row for _ in range(size) for row in cohort(rng)]
    return pl.DataFrame(rows, schema=["measure", "estimator", "estimate", "ci_low", "ci_high"], orient="row")


def performance(found: pl.DataFrame, size: int) -> pl.DataFrame:
    """Bias with its Monte-Carlo error, spread, coverage, and the share of cohorts without a figure."""
    value, truth = pl.col("estimate"), pl.col("truth")
    return (
        found.with_columns(pl.col("estimate", "ci_low", "ci_high").fill_nan(None))
        .with_columns(truth=pl.col("measure").replace_strict(TRUTH))
        .group_by("measure", "estimator", maintain_order=True)
        .agg(
            truth.first(),
            bias=(value - truth).mean(),
            error=value.std() / value.count().sqrt(),
            spread=value.std(),
            covered=truth.is_between(pl.col("ci_low"), pl.col("ci_high")).mean(),
            none=1 - value.count() / size,
        )
        .sort("measure", maintain_order=True)
    )


def markdown(table: pl.DataFrame, size: int) -> str:
    """The table of the documentation: bias and spread in points, shares in per cent."""
    lines = [
        "| measure | truth | held against | bias | Monte-Carlo error | spread | covered | Monte-Carlo error | none |",
        "|---|---:|---|---:|---:|---:|---:|---:|---:|",
    ]
    for row in table.iter_rows(named=True):
        share = row["covered"]
        covered = " | " if share is None else f"{100 * share:.1f} | {100 * (share * (1 - share) / size) ** 0.5:.2f}"
        lines.append(
            f"| {row['measure']} | {row['truth']:.2f} | {row['estimator']} | {100 * row['bias']:+.2f} "
            f"| {100 * row['error']:.2f} | {100 * row['spread']:.1f} | {covered} | {100 * row['none']:.1f} |"
        )
    return "\n".join(lines)


def holds(table: pl.DataFrame, slack: float = 0.0) -> bool:
    """Whether the aims of the documentation are met."""
    right = table.filter(pl.col("estimator").is_in(RIGHT), pl.col("measure").is_in(BOTH))
    known, wrong = right.filter(estimator=RIGHT[0]), table.filter(estimator=WRONG)
    return bool(
        (right["bias"].abs() < 0.01 + slack).all()
        and (right["covered"] > 0.925 - 5 * slack).all()
        and (known["covered"] < 0.975 + 5 * slack).all()
        and wrong["bias"].abs().max() > 0.03 - slack  # type: ignore[operator]
    )


def run_batch(number: int) -> pl.DataFrame:
    """One batch; kept, and taken from where it is kept."""
    kept = KEPT / f"{SEED}-{BATCH}-{number}.parquet"
    if not kept.exists():
        KEPT.mkdir(parents=True, exist_ok=True)
        cohorts(number, BATCH).write_parquet(kept.with_suffix(".part"))
        kept.with_suffix(".part").rename(kept)
    return pl.read_parquet(kept)


def test_mri_alone_corrected_finds_the_truth_in_a_short_run() -> None:
    assert holds(performance(cohorts(10**6, 40), 40), slack=0.012)


@pytest.mark.study
def test_mri_alone_corrected_finds_the_truth_and_the_best_modality_does_not() -> None:
    print(f"\n{COHORTS} cohorts, seed {SEED}: some minutes, kept in {KEPT}")
    found = performance(pl.concat([run_batch(number) for number in range(COHORTS // BATCH)]), COHORTS)
    text = markdown(found, COHORTS)
    (KEPT / "table.md").write_text(text + "\n", encoding="utf-8")
    print(text)
    assert holds(found)
    assert text in (ROOT / "docs" / "simulation-studies.md").read_text(encoding="utf-8"), "renew the documentation"

"""Two tests without a reference: intervals and ranks where truths come from the beliefs, and where they do not.

The long run, a few minutes, keeps what it has in ./study/latent_class and goes on from there. Its tables stand in
docs/simulation-studies.md, and the run fails where the two differ.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.stats import chi2

from examtally.analytics.imperfect_reference.latent_class import PARAMETERS, latent_class

SEED, BATCH = 20260702, 250
KNEES = 400
# what is published of MRI for the anterior cruciate ligament, as a belief; of the finding and prevalence, nothing
BELIEFS = {"sensitivity_2": (51.4, 7.7), "specificity_2": (371.2, 27.9)}
OFF = dict(zip(PARAMETERS, (0.3, 0.80, 0.90, 0.70, 0.98), strict=True))
NAMES = dict(
    zip(PARAMETERS, ("prevalence", "sensitivity", "specificity", "MRI's sensitivity", "MRI's specificity"), strict=True)
)
TRUTHS, COHORTS, BINS = 750, 250, 20
ROOT = Path(__file__).resolve().parents[2]
KEPT = ROOT / "study" / "latent_class"


def draw(truths: Mapping[str, np.ndarray], knees: int, rng: np.random.Generator) -> np.ndarray:
    """Counts of both positive, the finding only, MRI only, neither, (rows, 4)."""
    share, se_1, sp_1, se_2, sp_2 = (truths[name] for name in PARAMETERS)
    ill = [se_1 * se_2, se_1 * (1 - se_2), (1 - se_1) * se_2, (1 - se_1) * (1 - se_2)]
    well = [(1 - sp_1) * (1 - sp_2), (1 - sp_1) * sp_2, sp_1 * (1 - sp_2), sp_1 * sp_2]
    cells = np.array([share * a + (1 - share) * b for a, b in zip(ill, well, strict=True)]).T
    return rng.multinomial(knees, cells)


def judged(truths: Mapping[str, np.ndarray], knees: int, rng: np.random.Generator) -> pl.DataFrame:
    """For each row and parameter: is the truth covered, its rank among the draws, and have the chains met?"""
    found = latent_class(draw(truths, knees, rng), BELIEFS, iterations=3000, warm_up=750, seed=int(rng.integers(2**31)))
    frames = []
    for place, name in enumerate(PARAMETERS):
        truth = truths[name]
        frames.append(
            pl.DataFrame(
                {
                    "parameter": np.full(truth.size, NAMES[name]),
                    "covered": (found.ci_low[name] <= truth) & (truth <= found.ci_high[name]),
                    "rank": (found.draws[:, :, place, :] < truth).mean(axis=(0, 1)),
                    "error": found.mean[name] - truth,
                    "width": found.ci_high[name] - found.ci_low[name],
                    "met": (found.r_hat[name] <= 1.01) & (found.ess_bulk[name] >= 400),
                }
            )
        )
    return pl.concat(frames)


def from_beliefs(number: int, size: int) -> pl.DataFrame:
    """Truths drawn from the beliefs, one data set each."""
    rng = np.random.default_rng([SEED, 0, number])
    return judged({name: rng.beta(*BELIEFS.get(name, (1.0, 1.0)), size=size) for name in PARAMETERS}, KNEES, rng)


def off_beliefs(number: int, size: int, knees: int) -> pl.DataFrame:
    """One truth that the beliefs hold for unlikely: MRI that misses 30 % and errs on 2 % of sound knees."""
    rng = np.random.default_rng([SEED, knees, number])
    return judged({name: np.full(size, value) for name, value in OFF.items()}, knees, rng)


def uniformity(ranks: pl.Series) -> float:
    """p of the chi-squared test that ranks fall evenly into bins."""
    counts = np.histogram(ranks.to_numpy(), BINS, (0, 1))[0]
    expected = len(ranks) / BINS
    return float(chi2.sf(((counts - expected) ** 2 / expected).sum(), BINS - 1))


def performance(found: pl.DataFrame) -> pl.DataFrame:
    """By parameter: coverage, uniformity of ranks, mean error and width, share of chains that met."""
    rows = []
    for (name,), rows_of in found.group_by(["parameter"], maintain_order=True):
        means = {column: rows_of[column].mean() for column in ("covered", "error", "width", "met")}
        rows.append({"parameter": name, "n": rows_of.height, **means, "p": uniformity(rows_of["rank"])})
    return pl.DataFrame(rows)


def markdown(table: pl.DataFrame, *, with_ranks: bool) -> str:
    """A table of the documentation; shares in per cent with their Monte-Carlo error, error and width in points."""
    head = "ranks even, p" if with_ranks else "mean error"
    lines = [
        f"| parameter | covered | Monte-Carlo error | {head} | width | chains met |",
        "|---|---:|---:|---:|---:|---:|",
    ]
    for row in table.iter_rows(named=True):
        share, n = row["covered"], row["n"]
        middle = f"{row['p']:.3f}" if with_ranks else f"{100 * row['error']:+.1f}"
        lines.append(
            f"| {row['parameter']} | {100 * share:.1f} | {100 * (share * (1 - share) / n) ** 0.5:.2f} | {middle} "
            f"| {100 * row['width']:.1f} | {100 * row['met']:.1f} |"
        )
    return "\n".join(lines)


def holds(table: pl.DataFrame, slack: float = 0.0) -> bool:
    """Coverage of 93 to 97 %, ranks uniform (p at least 0.002 for each of five)."""
    return bool(table["covered"].is_between(0.93 - slack, 0.97 + slack).all() and (table["p"] >= 0.002).all())


def kept(name: str, make: object, size: int, *more: int) -> pl.DataFrame:
    """All batches of one setting; each kept, and taken from where it is kept."""
    frames = []
    for number in range(size // BATCH):
        path = KEPT / f"{SEED}-{name}-{BATCH}-{number}.parquet"
        if not path.exists():
            KEPT.mkdir(parents=True, exist_ok=True)
            make(number, BATCH, *more).write_parquet(path.with_suffix(".part"))  # type: ignore[operator]
            path.with_suffix(".part").rename(path)
        frames.append(pl.read_parquet(path))
    return pl.concat(frames)


def test_intervals_and_ranks_of_truths_from_the_beliefs_in_a_short_run() -> None:
    assert holds(performance(from_beliefs(10**6, 60)), slack=0.055)


@pytest.mark.study
def test_intervals_hold_truths_from_the_beliefs_and_rest_on_them() -> None:
    print(f"\n{TRUTHS} truths and twice {COHORTS} cohorts, seed {SEED}: a few minutes, kept in {KEPT}")
    drawn = performance(kept("beliefs", from_beliefs, TRUTHS))
    fixed = [performance(kept(f"off-{knees}", off_beliefs, COHORTS, knees)) for knees in (KNEES, 10 * KNEES)]
    texts = [markdown(drawn, with_ranks=True), *(markdown(each, with_ranks=False) for each in fixed)]
    (KEPT / "table.md").write_text("\n\n".join(texts) + "\n", encoding="utf-8")
    print("\n\n".join(texts))
    assert holds(drawn)
    documentation = (ROOT / "docs" / "simulation-studies.md").read_text(encoding="utf-8")
    assert all(text in documentation for text in texts), "renew the documentation"

"""Do the intervals of a difference of two maneuvers cover it when people have two knees, or are imaged selectively?

The long run, some minutes, keeps what it has in ./study/comparing and goes on from there. Its table stands in
docs/simulation-studies.md, and the run fails where the two differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from compared import NAMES, ligament_knees
from scipy.special import ndtri
from selective import Imaging, draw, truth

from examtally.analytics.comparison.contrast import Contrast, Significance, observed_difference
from examtally.analytics.comparison.joint import PAIRED, Joint, paired_kind
from examtally.analytics.comparison.knees import Compared
from examtally.analytics.comparison.paired import paired_contrasts
from examtally.analytics.verification_bias.grouped import Grouped
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol

SEED = 20260811
COHORTS, BATCH = 2000, 500
SELECTIVE_COHORTS, SELECTIVE_BATCH, SELECTIVE_KNEES = 500, 125, 1200
ROOT = Path(__file__).resolve().parents[2]
KEPT = ROOT / "study" / "comparing"
ALIKE = 1.0  # variance of what a person's knees share, that of each knee's own being 1
TOGETHER = 0.5  # correlation of two maneuvers within a knee, beyond what its person gives it
IMAGING = Imaging(-1.4, (2.2, 0.4, 0.4), effusion=0.5, acute=0.4)
SCHEMA = ["setting", "interval", "truth", "estimate", "low", "high", "p_value"]


@dataclass(frozen=True)
class Setting:
    """People with the condition, knees of each, and the shares found by either maneuver.

    What a person's knees share moves both maneuvers alike or, with `apart`, each by itself, so that the difference
    between the maneuvers is alike in a person's knees.
    """

    people: int
    knees: int
    a: float
    b: float
    aim: tuple[float, float]
    apart: bool = False

    @property
    def name(self) -> str:
        each = "one knee" if self.knees == 1 else f"{self.knees} knees"
        apart = ", people's own way with each" if self.apart else ""
        return f"{self.people} people, {each} each, {self.a:.2f} and {self.b:.2f}{apart}"

    def rows(self, cohorts: int, rng: np.random.Generator) -> list[tuple[object, ...]]:
        """The difference of sensitivity in every cohort, people as clusters and as if knees were independent."""
        person = np.repeat(np.arange(self.people), self.knees)
        found = []
        for _ in range(cohorts):
            shared = np.sqrt(ALIKE) * rng.normal(size=(2 if self.apart else 1, self.people))[:, person]
            common = np.sqrt(TOGETHER) * rng.normal(size=person.size)
            own = np.sqrt(1 - TOGETHER) * rng.normal(size=(2, person.size))
            cut = np.sqrt(1 + ALIKE) * ndtri([self.a, self.b])
            a, b = shared + common + own + cut[:, None] > 0
            for interval, who in (("people as clusters", person), ("knees as independent", np.arange(person.size))):
                made, test = _difference(a, b, who)
                found.append((self.name, interval, self.a - self.b, *_numbers(made), float(test.p_value[0])))
        return found


SETTINGS = (
    Setting(150, 2, 0.80, 0.70, (93, 97)),
    Setting(150, 2, 0.75, 0.75, (93, 97)),
    Setting(40, 2, 0.80, 0.70, (93, 98)),
    Setting(40, 2, 0.95, 0.90, (93, 99)),
    Setting(20, 2, 0.80, 0.70, (93, 99)),
    Setting(20, 2, 0.75, 0.75, (93, 99)),
    Setting(60, 1, 0.80, 0.70, (93, 97)),
    Setting(300, 4, 0.80, 0.70, (93, 97)),
    Setting(150, 2, 0.80, 0.70, (93, 97), apart=True),
    Setting(40, 2, 0.80, 0.70, (93, 98), apart=True),
    Setting(150, 4, 0.75, 0.75, (93, 97), apart=True),
)


def _difference(a: np.ndarray, b: np.ndarray, who: np.ndarray) -> tuple[Contrast, Significance]:
    joint = Joint.of(Grouped.of(who), paired_kind(a, b, np.ones(a.size, dtype=bool)), PAIRED)
    return next(paired_contrasts(joint, 0.95, is_exact=False))


def _numbers(made: Contrast) -> tuple[float, float, float]:
    return float(made.value[0]), float(made.limits.low[0]), float(made.limits.high[0])


def selective(
    cohorts: int, rng: np.random.Generator, contract: Contract, protocol: Protocol
) -> list[tuple[object, ...]]:
    """Differences between the first and the third maneuver where imaging follows findings, naive and corrected."""
    true = dict(zip(("sensitivity", "specificity"), truth(), strict=True))
    rows: list[tuple[object, ...]] = []
    for _ in range(cohorts):
        knees = draw(SELECTIVE_KNEES, IMAGING, rng)
        compared = Compared.maneuvers(ligament_knees(knees, contract, protocol), NAMES[0], NAMES[2])
        corrected = compared.corrected([(measure, "difference") for measure in true], 0.95)
        for measure, values in true.items():
            naive = observed_difference(compared.verified_joint(), measure, 0.95, is_paired=True)
            setting = f"imaging follows findings, {SELECTIVE_KNEES} knees, {measure}"
            for interval, made in (("corrected", corrected[measure, "difference"]), ("verified knees only", naive)):
                rows.append((setting, interval, values[0] - values[2], *_numbers(made), np.nan))
    return rows


def performance(found: pl.DataFrame) -> pl.DataFrame:
    """Bias, spread, coverage and share of p values below 0.05 of each interval in each setting."""
    inside = pl.col("truth").is_between(pl.col("low"), pl.col("high"))
    return found.group_by("setting", "interval", maintain_order=True).agg(
        pl.col("truth").first(),
        bias=(pl.col("estimate") - pl.col("truth")).mean(),
        covered=inside.mean(),
        rejected=(pl.col("p_value").fill_nan(None).fill_null(1) < 0.05).mean(),
        cohorts=pl.len(),
    )


def markdown(table: pl.DataFrame) -> str:
    """The table of the documentation: bias in percentage points, shares in per cent with Monte-Carlo errors."""
    lines = [
        "| setting | difference | interval | bias | covered | p below 0.05 |",
        "|---|---:|---|---:|---:|---:|",
    ]
    for row in table.iter_rows(named=True):
        shares = [
            f"{100 * p:.1f} ({100 * (p * (1 - p) / row['cohorts']) ** 0.5:.1f})"
            for p in (row["covered"], row["rejected"])
        ]
        tested = shares[1] if row["interval"] == "people as clusters" else ""
        lines.append(
            f"| {row['setting']} | {row['truth']:+.2f} | {row['interval']} | {100 * row['bias']:+.1f} | {shares[0]} "
            f"| {tested} |"
        )
    return "\n".join(lines)


def run_batch(name: str, number: int, rows: object) -> pl.DataFrame:
    """One batch; kept, and taken from where it is kept."""
    kept = KEPT / f"{SEED}-{name}-{number}.parquet"
    if not kept.exists():
        KEPT.mkdir(parents=True, exist_ok=True)
        made = pl.DataFrame(rows() if callable(rows) else rows, schema=SCHEMA, orient="row")
        made.write_parquet(kept.with_suffix(".part"))
        kept.with_suffix(".part").rename(kept)
    return pl.read_parquet(kept)


def test_clustered_differences_cover_in_a_short_run() -> None:
    rng = np.random.default_rng(SEED)
    table = performance(pl.DataFrame(SETTINGS[0].rows(150, rng), schema=SCHEMA, orient="row"))
    assert abs(table["bias"][0]) < 0.01
    assert 0.90 <= table["covered"][0] <= 0.99


def test_corrected_differences_cover_in_a_short_run(contract: Contract, protocol: Protocol) -> None:
    rows = selective(25, np.random.default_rng(SEED), contract, protocol)
    table = performance(pl.DataFrame(rows, schema=SCHEMA, orient="row"))
    corrected, naive = (table.filter(interval=name) for name in ("corrected", "verified knees only"))
    assert corrected["bias"].abs().max() < 0.03
    assert corrected["covered"].min() >= 0.8
    assert naive["bias"].abs().max() > 2 * corrected["bias"].abs().max()


@pytest.mark.study
def test_differences_cover(contract: Contract, protocol: Protocol) -> None:
    print(f"\n{COHORTS} cohorts a setting, seed {SEED}: some minutes, kept in {KEPT}")
    parts = []
    for place, setting in enumerate(SETTINGS):
        for number in range(COHORTS // BATCH):
            rng = np.random.default_rng([SEED, place, number])
            parts.append(run_batch(f"{place}", number, lambda setting=setting, rng=rng: setting.rows(BATCH, rng)))
    for number in range(SELECTIVE_COHORTS // SELECTIVE_BATCH):
        rng = np.random.default_rng([SEED, 99, number])
        rows = lambda rng=rng: selective(SELECTIVE_BATCH, rng, contract, protocol)  # noqa: E731
        parts.append(run_batch("selective", number, rows))
    table = performance(pl.concat(parts))
    text = markdown(table)
    (KEPT / "table.md").write_text(text + "\n", encoding="utf-8")
    print(text)
    for setting in SETTINGS:
        covered = table.filter(setting=setting.name, interval="people as clusters")["covered"].item()
        assert setting.aim[0] <= 100 * covered <= setting.aim[1], setting.name
    assert table.filter(interval="corrected")["covered"].is_between(0.92, 0.98).all()
    assert text in (ROOT / "docs" / "simulation-studies.md").read_text(encoding="utf-8"), "renew the documentation"

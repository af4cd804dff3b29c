"""The scoreboard: every adjustment against known truth, in worlds where all biases act at once.

The long run keeps each clinic in ./study/scoreboard and goes on from there. Its tables stand in
docs/simulation-studies.md, and the run fails where they differ. Aims and seeds were fixed before the first run; choices
in the model were made on other seeds.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest
from known_clinic import ADJUSTMENTS, TRUE_STATUS, known_clinic, scored

from examtally.analytics.bias_adjusted.tables import leading_table
from examtally.results.steps.leading import leading_estimates

FRESH = 780_000
ROOT = Path(__file__).resolve().parents[2]
WORLDS_AT = Path(__file__).parent / "worlds"
KEPT = ROOT / "study" / "scoreboard"
MAIN = {
    "acl_tear": "lachman",
    "medial_meniscus_tear": "medial_joint_line_tenderness",
    "lateral_meniscus_tear": "lateral_joint_line_tenderness",
}
PAIRS = (
    *MAIN.items(),
    *(("acl_tear", "anterior_drawer"), ("acl_tear", "pivot_shift")),
    *(("medial_meniscus_tear", "mcmurray_medial"), ("medial_meniscus_tear", "thessaly_medial")),
    *(("lateral_meniscus_tear", "mcmurray_lateral"), ("lateral_meniscus_tear", "thessaly_lateral")),
)
BESIDE = (("mcl_injury", "valgus_stress_30"), ("lcl_injury", "varus_stress_30"), ("pcl_tear", "posterior_sag"))
UNKNOWABLE = ("lcl_injury", "pcl_tear")  # rarer than the false alarms of their reference: no sensitivity may be shown
FITTED = ("acl_tear", "pcl_tear", "mcl_injury", "lcl_injury", "medial_meniscus_tear", "lateral_meniscus_tear")
COVERED, TOGETHER, WIDTH = (0.93, 0.98), 0.90, 1.3


@dataclass(frozen=True)
class World:
    """One setting; `bias` is the largest allowed in size, in points, None where the world breaks an assumption."""

    name: str
    clinics: int
    file: str | None = None
    exams: int | None = None
    bias: float | None = 2.0
    seed: int = FRESH

    @property
    def path(self) -> Path | None:
        return WORLDS_AT / f"{self.file}.yaml" if self.file else None


WORLDS = (
    World("the demo", 60),
    World("MRI poorer than published", 14, "mri_poorer"),
    World("MRI better than published", 10, "mri_better"),
    World("nearly all imaged", 10, "nearly_all_imaged"),
    World("imaging by unwritten suspicion (delta -1)", 10, "suspicion_more", bias=None),
    World("imaging against unwritten suspicion (delta +1)", 10, "suspicion_less", bias=None),
    World("errors in common", 10, "errors_in_common", bias=None),
    World("rare conditions", 10, "rare", bias=3.0),
    World("300 exams", 12, exams=300, bias=3.0),
    World("1,000 exams", 12, exams=1_000, bias=3.0),
    World("20,000 exams", 4, exams=20_000),
)


def score_clinic(world: World, number: int) -> pl.DataFrame:
    """The rows of one clinic of a world, the same whatever ran before."""
    seed = world.seed + 1_000 * WORLDS.index(world) + number
    with known_clinic(seed, world=world.path, exams=world.exams, conditions=FITTED) as clinic:
        return scored(clinic, (*PAIRS, *BESIDE)).with_columns(clinic=pl.lit(number))


def kept(world: World, number: int) -> pl.DataFrame:
    """One clinic, taken from where it is kept."""
    at = KEPT / f"{world.seed}-{WORLDS.index(world)}-{number}.parquet"
    if not at.exists():
        KEPT.mkdir(parents=True, exist_ok=True)
        score_clinic(world, number).write_parquet(at.with_suffix(".part"))
        at.with_suffix(".part").rename(at)
    return pl.read_parquet(at)


def judged(rows: pl.DataFrame) -> pl.DataFrame:
    """Each row with its error and width in points, and whether its interval holds the truth; null where withheld."""
    return rows.with_columns(
        error=100 * (pl.col("estimate") - pl.col("truth")),
        covered=pl.when(pl.col("estimate").is_not_null()).then(pl.col("truth").is_between("ci_low", "ci_high")),
        width=100 * (pl.col("ci_high") - pl.col("ci_low")),
    )


def performance(rows: pl.DataFrame) -> pl.DataFrame:
    """Bias, coverage, width and share without a figure, by measure and adjustment, clinics as clusters."""
    shown = judged(rows)
    by_clinic = shown.group_by("measure", "adjustment", "clinic").agg(
        pl.col("error", "covered", "width").cast(pl.Float64).mean()
    )
    errors = by_clinic.group_by("measure", "adjustment").agg(
        bias_error=pl.col("error").std() / pl.col("error").count().sqrt(),
        covered_error=100 * pl.col("covered").std() / pl.col("covered").count().sqrt(),
    )
    means = shown.group_by("measure", "adjustment").agg(
        bias=pl.col("error").mean(),
        covered=100 * pl.col("covered").cast(pl.Float64).mean(),
        width=pl.col("width").mean(),
        none=100 * pl.col("estimate").is_null().mean(),
    )
    order = {name: place for place, name in enumerate((*ADJUSTMENTS, TRUE_STATUS))}
    place = pl.col("adjustment").replace_strict(order, return_dtype=pl.Int64)
    return means.join(errors, on=["measure", "adjustment"]).sort("measure", place)


def together(rows: pl.DataFrame, adjustment: str) -> float | None:
    """Share of a condition's main maneuvers, both figures shown, whose two intervals both hold the truth."""
    main = judged(rows).filter(
        pl.col("adjustment") == adjustment,
        pl.col("maneuver").is_in(list(MAIN.values())),
        pl.col("covered").is_not_null(),
    )
    both = main.group_by("clinic", "maneuver").agg(pl.col("covered").all(), n=pl.len()).filter(n=2)
    return None if both.is_empty() else 100 * float(both["covered"].mean())  # type: ignore[arg-type]


def shown_though_unknowable(rows: pl.DataFrame) -> int:
    """Sensitivities shown of conditions rarer than the false alarms of their reference."""
    asked = rows.filter(pl.col("condition").is_in(UNKNOWABLE), adjustment="bias_adjusted", measure="sensitivity")
    return int(asked["estimate"].is_not_null().sum())


def aims(world: World, rows: pl.DataFrame) -> dict[str, bool]:
    """Which aims the leading estimate meets in a world whose assumptions hold."""
    of_pairs = rows.join(
        pl.DataFrame(PAIRS, schema=["condition", "maneuver"], orient="row"), on=["condition", "maneuver"]
    )
    found = {row["measure"]: row for row in performance(of_pairs).filter(adjustment="bias_adjusted").to_dicts()}
    best = {row["measure"]: row for row in performance(of_pairs).filter(adjustment=TRUE_STATUS).to_dicts()}
    both = together(of_pairs, "bias_adjusted")
    met = {"none shown though unknowable": shown_though_unknowable(rows) == 0}
    for measure, row in found.items():
        if row["none"] < 100:
            met[f"{measure}: bias"] = world.bias is None or abs(row["bias"]) <= world.bias
            met[f"{measure}: covered"] = 100 * COVERED[0] <= row["covered"] <= 100 * COVERED[1]
            met[f"{measure}: width"] = row["width"] <= WIDTH * best[measure]["width"]
    return met | ({} if both is None else {"both covered": both >= 100 * TOGETHER})


def markdown(world: World, rows: pl.DataFrame) -> str:
    """The table of one world for the documentation."""
    of_pairs = rows.join(
        pl.DataFrame(PAIRS, schema=["condition", "maneuver"], orient="row"), on=["condition", "maneuver"]
    )
    lines = [
        f"*{world.name}*: {rows['clinic'].n_unique()} clinics.",
        "",
        "| measure | adjustment | bias (MC error) | covered (MC error) | width | no figure | both covered |",
        "|---|---|---:|---:|---:|---:|---:|",
    ]
    for row in performance(of_pairs).iter_rows(named=True):
        both = together(of_pairs, row["adjustment"]) if row["measure"] == "sensitivity" else None
        numbers = [
            f"{_number(row['bias'], '+.1f')} ({_number(row['bias_error'], '.1f')})",
            f"{_number(row['covered'], '.0f')} ({_number(row['covered_error'], '.1f')})",
            *(_number(row["width"], ".0f"), _number(row["none"], ".0f"), _number(both, ".0f")),
        ]
        lines.append(f"| {row['measure']} | {row['adjustment']} | {' | '.join(numbers)} |")
    missed = [name for name, is_met in aims(world, rows).items() if not is_met]
    said = "no aim" if world.bias is None else ("all aims met" if not missed else f"missed: {', '.join(missed)}")
    return "\n".join([*lines, "", f"The leading estimate: {said}."])


def _number(value: float | None, form: str) -> str:
    return "" if value is None else format(value, form)


@pytest.mark.study
@pytest.mark.parametrize("world", WORLDS, ids=lambda world: world.name)
def test_the_leading_estimate_is_scored_in_every_world(world: World) -> None:
    print(f"\n{world.name}: {world.clinics} clinics, some ten seconds each (20,000 exams: a minute), kept in {KEPT}")
    rows = pl.concat([kept(world, number) for number in range(world.clinics)])
    text = markdown(world, rows)
    print(text)
    assert text in (ROOT / "docs" / "simulation-studies.md").read_text(encoding="utf-8"), "renew the documentation"


QUICK = (812_001, 812_002)
NEAR = {"sensitivity": 5.0, "specificity": 2.5}  # points of bias that two clinics can tell from what goes wrong
OFTEN = 85.0


def is_near_the_truth(rows: pl.DataFrame, adjustment: str) -> bool:
    """Whether a few clinics speak for an adjustment: small bias, and most intervals hold the truth."""
    found = performance(rows).filter(adjustment=adjustment).to_dicts()
    return all(abs(row["bias"]) <= NEAR[row["measure"]] and row["covered"] >= OFTEN for row in found)


def test_the_leading_estimate_is_near_the_truth_where_those_it_replaced_are_not() -> None:
    parts = []
    for seed in QUICK:
        with known_clinic(seed, conditions=tuple(MAIN)) as clinic:
            led = leading_table(clinic.work.once(leading_estimates), clinic.work.protocol).filter(group_by="overall")
            rows = scored(clinic, PAIRS).with_columns(clinic=pl.lit(seed))
        shown = led.unpivot(["sensitivity", "specificity"], index=["condition", "maneuver"], variable_name="measure")
        rows = rows.join(shown, on=["condition", "maneuver", "measure"])
        is_leading = pl.col("adjustment") == "bias_adjusted"
        assert rows.filter(is_leading).select(pl.col("value").eq_missing(pl.col("estimate")).all()).item()
        parts.append(rows.drop("value"))
    rows = pl.concat(parts)
    assert is_near_the_truth(rows, "bias_adjusted")
    assert not is_near_the_truth(rows, "verification")
    assert not is_near_the_truth(rows, "none")

"""The figures of a release: rounded, and only where every count they are made of is shown."""

from __future__ import annotations

from collections.abc import Callable, Collection
from math import floor, log10

import polars as pl

from examtally.disclosure.hiding import Hiding
from examtally.disclosure.sides import CELLS, GROUPINGS, KEY, MOST_HIDDEN, Row, Shown, Side

SIDES_OF = {"sensitivity": ("with_condition",), "specificity": ("without_condition",)}
"""The sides a measure is made of; every other measure is made of both."""

ADJUSTMENTS = ("none", "verification")
RATIOS = ("lr_positive", "lr_negative", "diagnostic_odds_ratio")
SCORES = ("brier", "intercept", "slope", "ici", "auc")
STATISTICS = ("observed_agreement", "gwet_ac1")
_FEWEST_EXAMINERS = 5
_LIMITS = ("estimate", "ci_low", "ci_high")


def sides_of(measure: str) -> tuple[str, ...]:
    """The sides of a 2x2 table that a measure gives something away about."""
    return SIDES_OF.get(measure, tuple(CELLS))


def counts_table(shown: Shown) -> pl.DataFrame:
    """The 2x2 tables with hidden counts left empty."""
    lines = [
        dict(zip(KEY, (row.condition, row.maneuver, row.group_by, row.group), strict=True)) | dict(cells)
        for row, cells in sorted(shown.items())
    ]
    cells = [cell for pair in CELLS.values() for cell in pair]
    schema = {**dict.fromkeys(KEY, pl.String()), **dict.fromkeys(cells, pl.Int64())}
    return pl.DataFrame(lines, schema=schema)


def accuracy_figures(accuracy: pl.DataFrame, hiding: Hiding) -> pl.DataFrame:
    """Figures on verified knees and corrected for verification, of sides that are shown."""
    kept = accuracy.filter(
        pl.col("group_by").is_in(["overall", *GROUPINGS]),
        pl.col("adjustment").is_in(ADJUSTMENTS),
        pl.col("display") == "estimate",
        pl.col("estimate").is_not_null(),
    )
    is_shown = [
        Row(*key) in hiding.counts.knees
        and all(Side(Row(*key), name) not in hiding.reasons for name in sides_of(measure))
        for *key, measure in kept.select(*KEY, "measure").iter_rows()
    ]
    rounded = [
        pl.when(pl.col("measure").is_in(RATIOS)).then(_two_digits(name)).otherwise(pl.col(name).round(2)).alias(name)
        for name in _LIMITS
    ]
    return kept.filter(pl.Series(is_shown, dtype=pl.Boolean)).select(
        *KEY, "adjustment", "measure", *rounded, "level", "interval", "status"
    )


def calibration_figures(calibration: pl.DataFrame) -> pl.DataFrame:
    """Measures of stated probabilities of everybody, where more than ten knees stand on either side; no counts."""
    enough = (pl.col("events") > MOST_HIDDEN) & (pl.col("n") - pl.col("events") > MOST_HIDDEN)
    kept = calibration.filter(
        enough & (pl.col("participants") > 2 * MOST_HIDDEN),
        pl.col("measure").is_in(SCORES) & pl.col("estimate").is_not_null(),
        group_by="overall",
    )
    return kept.select("condition", "forecast", "measure", *(pl.col(name).round(2) for name in _LIMITS), "status")


def agreement_figures(agreement: pl.DataFrame) -> pl.DataFrame:
    """Agreement of two examiners, where more than ten pairs agree and more than ten do not, or all or none do."""
    key = ["maneuver", "group_by", "group"]
    observed = agreement.filter(statistic="observed_agreement").select(
        *key, discord=((1 - pl.col("estimate")) * pl.col("pairs")).round(0), observed=pl.col("pairs")
    )
    concord = pl.col("observed") - pl.col("discord")
    is_safe = [(part == 0) | (part > 2 * MOST_HIDDEN) for part in (pl.col("discord"), concord)]
    kept = agreement.join(observed, on=key, how="left").filter(
        is_safe[0] & is_safe[1] & (pl.col("participants") > 2 * MOST_HIDDEN),
        pl.col("group_by").is_in(["overall", "learner_supervisor"]),
        pl.col("statistic").is_in(STATISTICS) & pl.col("estimate").is_not_null(),
    )
    return kept.select(*key, "statistic", *(pl.col(name).round(2) for name in _LIMITS), "status")


def spread_figures(spread: pl.DataFrame, hiding: Hiding) -> pl.DataFrame:
    """Mean of the examiners and prediction for a new one, five examiners or more, where everybody's side is shown."""
    kept = spread.filter(
        pl.col("examiners") >= _FEWEST_EXAMINERS,
        pl.col("measure").is_in(list(SIDES_OF)),
        between="examiners",
        adjustment="pooled_verification",
    )
    is_shown = [
        Side(Row(condition, maneuver, "overall", "all"), SIDES_OF[measure][0]) not in hiding.reasons
        for condition, maneuver, measure in kept.select("condition", "maneuver", "measure").iter_rows()
    ]
    names = ("mean", "ci_low", "ci_high", "predict_low", "predict_high")
    rounded = [pl.col(name).round(2) for name in names]
    return kept.filter(pl.Series(is_shown, dtype=pl.Boolean)).select(
        "condition", "maneuver", "measure", *rounded, "status"
    )


def comparison_figures(comparisons: pl.DataFrame, hiding: Hiding) -> pl.DataFrame:
    """Two maneuvers on the same knees, everybody, where no discordant count is small and both sides are shown.

    Whole percentages: a share to a tenth would tell how many knees had both, and so how few lacked one of the two.
    """

    def is_safe(name: str) -> pl.Expr:
        return (pl.col(name) == 0) | (pl.col(name) > 2 * MOST_HIDDEN)

    kept = comparisons.filter(
        is_safe("only_a") & is_safe("only_b") & (pl.col("n") > 2 * MOST_HIDDEN),
        pl.col("difference").is_not_null(),
        group_by="overall",
    )
    is_shown = [
        _whole_shown(hiding, condition, maneuvers, measure)
        for condition, *maneuvers, measure in kept.select(
            "condition", "maneuver_a", "maneuver_b", "measure"
        ).iter_rows()
    ]
    key = ("condition", "maneuver_a", "maneuver_b", "adjustment", "measure", "contrast")
    is_ratio = {"estimate": pl.col("measure").is_in(RATIOS), "contrast": pl.col("contrast") == "ratio"}
    numbers = dict.fromkeys(("estimate_a", "estimate_b"), "estimate")
    numbers |= dict.fromkeys(("difference", "ci_low", "ci_high"), "contrast")
    rounded = [
        pl.when(is_ratio[kind]).then(_two_digits(name)).otherwise(pl.col(name).round(2)).alias(name)
        for name, kind in numbers.items()
    ]
    tests = [pl.col(name).round(3) for name in ("p_value", "p_adjusted")]
    return kept.filter(pl.Series(is_shown, dtype=pl.Boolean)).select(*key, *rounded, *tests, "status")


FIGURES: dict[str, Callable[[pl.DataFrame, Hiding], pl.DataFrame]] = {
    "accuracy": accuracy_figures,
    "calibration": lambda frame, _hiding: calibration_figures(frame),
    "agreement": lambda frame, _hiding: agreement_figures(frame),
    "examiner_spread": spread_figures,
    "comparisons": comparison_figures,
}
"""The figures a release is made of, by result table."""


def _whole_shown(hiding: Hiding, condition: str, maneuvers: Collection[str], measure: str) -> bool:
    return all(
        Side(Row(condition, maneuver, "overall", "all"), name) not in hiding.reasons
        for maneuver in maneuvers
        for name in sides_of(measure)
    )


def _two_digits(name: str) -> pl.Expr:
    return pl.col(name).map_elements(
        lambda value: round(value, 1 - floor(log10(abs(value)))) if value else value, return_dtype=pl.Float64
    )

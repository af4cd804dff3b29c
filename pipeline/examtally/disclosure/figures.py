"""The figures that go out: rounded, and only of tables that go out whole."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import floor, log10

import polars as pl

from examtally.disclosure.selection import Selection
from examtally.disclosure.tables import CELLS, FEWEST, KEY, Row

ADJUSTMENTS = ("none", "verification", "bias_adjusted")
"""Corrections told of: verified knees as they are, and the corrections that readers decide by."""

RATIOS = ("lr_positive", "lr_negative", "diagnostic_odds_ratio")
MEASURES = ("sensitivity", "specificity")
STATISTICS = ("observed_agreement", "positive_agreement", "negative_agreement", "cohen_kappa", "gwet_ac1")
_FEWEST_EXAMINERS = 5
_LIMITS = ("estimate", "ci_low", "ci_high")
_UNADJUSTED = pl.col("adjustment") == "none"


@dataclass(frozen=True)
class Figures:
    """How the rows of a result table that may go out are made, and by which rule, for the log."""

    make: Callable[[pl.DataFrame, Selection], pl.DataFrame]
    rule: str


def counts_table(selection: Selection) -> pl.DataFrame:
    """The 2x2 tables that go out, one row each."""
    lines = [
        (row.condition, row.maneuver, row.group_by, row.group, *(table.knees[cell] for cell in CELLS))
        for row, table in selection.tables.items()
    ]
    schema = {**dict.fromkeys(KEY, pl.String()), **dict.fromkeys(CELLS, pl.Int64())}
    return pl.DataFrame(lines, schema=schema, orient="row")


def accuracy_figures(accuracy: pl.DataFrame, selection: Selection) -> pl.DataFrame:
    """Estimates with limits of the tables that go out; percentages whole, ratios with two digits."""
    kept = accuracy.filter(
        pl.col("adjustment").is_in(ADJUSTMENTS), pl.col("display") == "estimate", pl.col("estimate").is_not_null()
    )
    is_shown = [
        _is_shown(selection, adjustment, Row(*key)) for *key, adjustment in kept.select(*KEY, "adjustment").iter_rows()
    ]
    rounded = [
        pl.when(pl.col("measure").is_in(RATIOS)).then(_two_digits(name)).otherwise(pl.col(name).round(2)).alias(name)
        for name in _LIMITS
    ]
    return kept.filter(pl.Series(is_shown, dtype=pl.Boolean)).select(
        *KEY, "adjustment", "measure", *rounded, "level", "interval", "status"
    )


def comparison_figures(comparisons: pl.DataFrame, selection: Selection) -> pl.DataFrame:
    """Differences of two maneuvers on the same knees, for everybody; p values and counts would tell the knees."""
    pair = ["condition", "maneuver_a", "maneuver_b", "measure"]
    differences = comparisons.filter(
        (pl.col("contrast") == "difference") & pl.col("measure").is_in(MEASURES) & pl.col("difference").is_not_null(),
        group_by="overall",
    )
    again = pl.col("n") - pl.col("participants")
    both = (pl.col("estimate_a") * pl.col("n")).round(0) - pl.col("only_a")
    neither = pl.col("n") - both - pl.col("only_a") - pl.col("only_b")
    is_enough = pl.min_horizontal(both, neither, "only_a", "only_b") - again >= FEWEST
    enough = differences.filter(_UNADJUSTED & is_enough).select(pair)
    kept = differences.join(enough, on=pair, how="semi", maintain_order="left").filter(
        pl.col("adjustment").is_in(ADJUSTMENTS)
    )
    is_shown = [
        _is_shown(selection, adjustment, *(Row(condition, maneuver) for maneuver in maneuvers))
        for condition, *maneuvers, adjustment in kept.select(*pair[:3], "adjustment").iter_rows()
    ]
    return kept.filter(pl.Series(is_shown, dtype=pl.Boolean)).select(
        *pair[:3],
        *("group_by", "group", "adjustment", "measure"),
        *(pl.col(name).round(2) for name in ("difference", "ci_low", "ci_high")),
        "status",
    )


def interaction_figures(interactions: pl.DataFrame, selection: Selection) -> pl.DataFrame:
    """Differences between two groups whose tables both go out, as they are and corrected."""
    kept = interactions.filter(
        pl.col("adjustment").is_in(ADJUSTMENTS), pl.col("measure").is_in(MEASURES), pl.col("difference").is_not_null()
    )
    is_shown = [
        _is_shown(
            selection,
            line["adjustment"],
            *(
                Row(line["condition"], line["maneuver"], line["group_by"], line[side])
                for side in ("group_a", "group_b")
            ),
        )
        for line in kept.iter_rows(named=True)
    ]
    numbers = ("estimate_a", "estimate_b", "difference", "ci_low", "ci_high")
    return kept.filter(pl.Series(is_shown, dtype=pl.Boolean)).select(
        *("condition", "maneuver", "group_by", "adjustment", "measure", "group_a", "group_b"),
        *(pl.col(name).round(2) for name in numbers),
        "status",
    )


def agreement_figures(agreement: pl.DataFrame, _selection: Selection) -> pl.DataFrame:
    """Agreement of two examiners.

    Of the pairs alike, the fewer, both positive or both negative, follow from the chance term of AC1, 2q(1 - q), with q
    the mean share of the rarer finding (Gwet, Br J Math Stat Psychol 2008;61:29). A person is
    taken to have two pairs at most, unless all further pairs of a person leave enough.
    """
    key = ["maneuver", "group_by", "group"]
    again, unlike = pl.col("pairs") - pl.col("participants"), (1 - pl.col("observed")) * pl.col("pairs")
    chance = (pl.col("observed") - pl.col("ac1")) / (1 - pl.col("ac1"))
    rarer = (1 - (1 - 2 * chance).clip(0, 1).sqrt()) / 2
    fewer_alike = pl.col("pairs") * rarer - unlike / 2
    observed = agreement.filter(statistic="observed_agreement").rename({"estimate": "observed"})
    ac1 = agreement.filter(statistic="gwet_ac1").select(*key, ac1="estimate")
    people = [pl.max_horizontal(part.round(0) - again, part.round(0) / 2) for part in (unlike, fewer_alike)]
    enough = observed.join(ac1, on=key).filter(pl.all_horizontal(part >= FEWEST for part in people))
    kept = agreement.join(enough, on=key, how="semi", maintain_order="left").filter(
        pl.col("statistic").is_in(STATISTICS) & pl.col("estimate").is_not_null()
    )
    return kept.select(*key, "statistic", *(pl.col(name).round(2) for name in _LIMITS), "status")


def spread_figures(spread: pl.DataFrame, selection: Selection) -> pl.DataFrame:
    """Mean of the examiners and prediction for a new one."""
    kept = spread.filter(
        pl.col("examiners") >= _FEWEST_EXAMINERS,
        pl.col("measure").is_in(MEASURES),
        between="examiners",
        adjustment="pooled_bias_adjusted",
    )
    is_shown = [selection.is_corrected(Row(*key)) for key in kept.select("condition", "maneuver").iter_rows()]
    names = ("mean", "ci_low", "ci_high", "predict_low", "predict_high")
    return kept.filter(pl.Series(is_shown, dtype=pl.Boolean)).select(
        "condition", "maneuver", "adjustment", "measure", *(pl.col(name).round(2) for name in names), "status"
    )


FIGURES: Mapping[str, Figures] = {
    "accuracy": Figures(
        accuracy_figures,
        "figures of tables that go out; corrected ones where 22 index exams or more of either finding lack an answer",
    ),
    "comparisons": Figures(
        comparison_figures,
        "differences for everybody where both tables go out and 11 people or more stand behind both right, the first "
        "alone, the second alone and neither",
    ),
    "interactions": Figures(
        interaction_figures,
        "differences between two groups whose tables both go out; corrected ones where corrected figures of both do",
    ),
    "agreement": Figures(
        agreement_figures,
        "where 11 people or more, or 22 pairs, stand behind those both positive, both negative and unlike",
    ),
    "examiner_spread": Figures(spread_figures, "five examiners or more, where corrected figures of everybody go out"),
}
"""The figures that can go out, by result table."""


def _is_shown(selection: Selection, adjustment: str, *rows: Row) -> bool:
    if adjustment == "none":
        return all(row in selection.tables for row in rows)
    return all(selection.is_corrected(row) for row in rows)


def _two_digits(name: str) -> pl.Expr:
    return pl.col(name).map_elements(
        lambda value: round(value, 1 - floor(log10(abs(value)))) if value else value, return_dtype=pl.Float64
    )

"""What stands below the charts: the leading figures, who was verified, what drifts, sites, learners."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import polars as pl

from examtally.reporting.audit.leading import leads, table_of
from examtally.reporting.engine.aims import AIMS, told
from examtally.reporting.engine.numbers import count, counted, percent, percent_range, share_of
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.monthly.month import LAST, Month, Row, plain, value_of

_CROSSED = {"reached": "reached a target on both sides", "left": "may have left one"}


def verification(month: Month) -> str:
    """How many knees were verified after a positive and after a negative finding of each core maneuver."""
    rows = list(_verified(month))
    if not rows:
        return f"No {month.unit} with follow-up complete yet."
    columns = (
        Column("pair", "Maneuver"),
        Column("positive", "positive finding", "Verified after a"),
        Column("negative", "negative finding", "Verified after a"),
    )
    text = (
        "Positive «nouns» tend to be imaged more often than negative ones; the leading figures allow for that. No exam "
        "or scan is asked for the registry's sake."
    )
    caption = "Verified by result, whole registry, follow-up complete"
    return f"{text}\n{table(pl.DataFrame(rows), columns, caption=caption)}"


def yields(month: Month) -> str:
    """Confirmed of those suspected, and its other side, over the last twelve periods with follow-up complete."""
    parts = []
    for code, words in (("yield", "suspected"), ("unsuspected_proven", "not suspected")):
        rows = month.series(code).filter("mature").tail(LAST)
        found, looked = int(rows["numerator"].sum()), int(rows["denominator"].sum())
        parts.append(f"{share_of(found, looked)} times a core condition was {words} and verified, it was present")
    if not month.series("yield").filter("mature").height:
        return f"No {month.unit} with follow-up complete yet."
    return (
        f"Over the last {LAST} {month.unit}s with follow-up complete, {parts[0]}; {parts[1]}. One without the other "
        "misleads: suspecting less raises the first and, unseen, the second."
    )


def leading_figures(month: Month) -> str:
    """The leading estimates of the core conditions, as the audit has them; a sentence where there are none."""
    items = [lead for lead in leads(month.audit) if lead.condition.core]
    shown = table_of(items, f"Main maneuvers, all {month.unit}s together, as in the audit", is_grouped=False)
    return shown or "No figure yet."


def drift(month: Month) -> str:
    """Accuracy and calibration of the last twelve periods with follow-up complete beside all before them."""
    rows = [_drifting(month, row) for row in _newest_rolling(month)]
    if not rows:
        return f"Change is watched over {LAST} {month.unit}s with follow-up complete; there are not as many yet."
    compared = (
        Column("before", "All before"),
        Column("limits", "Expected within\n99.8%, if nothing changed"),
        Column("said", "Signal", words=True),
    )
    columns = (
        Column("name", "Figure"),
        Column("now", f"Last {LAST} {month.unit}s\nfollow-up complete"),
        *(compared if any(row["said"] for row in rows) else ()),
    )
    text = (
        f"{told(['none'])} Watched for change only, not to decide by. The gap is the share read as present minus the "
        f"mean probability stated after the exam. Comparing needs {2 * LAST} {month.unit}s. A change in who is imaged "
        "moves these figures too."
    )
    caption = f"Accuracy and calibration, {AIMS['none'].name}, and whether they drift"
    return f"{text}\n{table(pl.DataFrame(rows), columns, caption=caption)}"


def sites(month: Month) -> str:
    """Sites that lie outside the funnel, or that there is none."""
    rows = month.indicators.filter(group_by="site_year")
    if rows.is_empty():
        return (
            f"Sites are set beside each other once five have three examiners each and twelve {month.unit}s with "
            "follow-up complete."
        )
    newest = rows.filter(pl.col("period") == pl.col("period").max().over("indicator"))
    shown = [
        {
            "name": month.indicator(row["indicator"]),
            "site": row["group"],
            "value": value_of(row),
            "limits": percent_range(row["limit_low"], row["limit_high"]),
            "said": "outside" if row["signal"] else "",
        }
        for row in newest.sort("indicator", "group").iter_rows(named=True)
    ]
    columns = (
        Column("site", "Site"),
        Column("value", f"Last {LAST} {month.unit}s"),
        Column("limits", "Limits of the funnel\n99.8%, wider for small sites"),
        Column("said", "", words=True),
    )
    return table(pl.DataFrame(shown), columns, caption="Sites beside each other", group="name")


def learners(month: Month) -> str:
    """How many learners crossed a limit in this period; nobody is named."""
    table_ = month.audit.table("learning")
    if table_.is_empty():
        return "These results hold no learner charts: they were made without rows about persons."
    keys = ("condition", "maneuver", "outcome", "examiner_id")
    ends = table_.sort("period", "sequence").group_by(*keys, "period", maintain_order=True).last()
    changed = ends.filter(
        (pl.col("standing") != pl.col("standing").shift(1).over(keys)).fill_null(value=True), period=month.period
    )
    parts = [
        f"{counted(changed.filter(standing=standing)['examiner_id'].n_unique(), 'learner')} {words}"
        for standing, words in _CROSSED.items()
    ]
    return (
        f"In this {month.unit}, by the cases so far: {parts[0]}, {parts[1]}. "
        f"{counted(table_['examiner_id'].n_unique(), 'learner')} had enough cases of at least one maneuver for a "
        "chart. Names stay on their own sheets."
    )


def _verified(month: Month) -> Iterator[dict[str, str]]:
    audit = month.audit
    found = {
        (row["condition"], row["maneuver"], row["result"]): (row["verified"], row["exams"])
        for row in audit.table("verification").iter_rows(named=True)
    }
    for condition in audit.settled:
        for maneuver in audit.core_maneuvers(condition):
            key = (condition.code, maneuver.code)
            if condition.core and maneuver.core and (*key, "positive") in found:
                yield {"pair": f"{maneuver.name}\n{condition.name}"} | {
                    result: _share(*found.get((*key, result), (0, 0))) for result in ("positive", "negative")
                }


def _share(part: int, whole: int) -> str:
    return f"{percent(part / whole)}\n{count(part)} of {count(whole)}" if whole else "–"


def _newest_rolling(month: Month) -> Sequence[Row]:
    rows = month.indicators.filter(pl.col("group_by").is_in(["pair", "condition"]), pl.col("value").is_not_null())
    newest = rows.filter(pl.col("period") == pl.col("period").max().over("indicator", "group_by", "group"))
    return newest.sort("group_by", "group", "indicator", descending=[True, False, False]).rows(named=True)


def _drifting(month: Month, row: Row) -> dict[str, str]:
    value = plain(row, row["value"])
    value = f"{value}\n{'' if row['group_by'] == 'pair' else 'found in '}{_counts(row)}"
    bounds = row["limit_low"] is not None
    return {
        "name": month.name(row).replace(", ", "\n", 1),
        "now": value,
        "before": plain(row, row["centre"]),
        "limits": f"{plain(row, row['limit_low'])} to {plain(row, row['limit_high'])}" if bounds else "not yet",
        "said": month.audit.wording.word("rule", row["rule"]) if row["signal"] else "none" if bounds else "",
    }


def _counts(row: Row) -> str:
    return f"{count(row['numerator'])} of {count(row['denominator'])}"

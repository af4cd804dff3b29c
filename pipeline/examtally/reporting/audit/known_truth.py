"""The leading figures beside what is true of a synthetic clinic: only where the results hold that truth."""

from __future__ import annotations

import polars as pl

from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.leading import leads
from examtally.reporting.engine.numbers import percent, percent_range, share_of
from examtally.reporting.engine.tables import Column, table

_WORDS = {"sensitivity": "Sensitivity", "specificity": "Specificity"}
_COLUMNS = (
    Column("what", "Maneuver"),
    Column("measure", "Measure"),
    Column("estimate", "Estimate\n95% CI"),
    Column("truth", "Truth"),
    Column("held", "Interval\nholds it"),
)


def section(audit: Audit) -> str:
    """A heading, how many intervals hold the truth, and a table; nothing where the truth is not known."""
    known = {tuple(row[:3]): row[3] for row in audit.table("known_truth").rows()}
    rows = []
    for lead in leads(audit):
        for measure, word in _WORDS.items():
            truth = known.get((lead.condition.code, lead.maneuver.code, measure))
            low, high = (lead.row[f"{measure}_{end}"] for end in ("low", "high"))
            if truth is None or low is None or high is None:
                continue
            rows.append(
                {
                    "what": f"{lead.maneuver.name}\n{lead.condition.name}",
                    "measure": word,
                    "estimate": f"{percent(lead.row[measure])}\n{percent_range(low, high)}",
                    "truth": percent(truth),
                    "held": "yes" if low <= truth <= high else "no",
                }
            )
    if not rows:
        return ""
    held = sum(row["held"] == "yes" for row in rows)
    return (
        "## Because this clinic is invented: the truth\n\n"
        "The records are synthetic, so what is true of them is known. No real clinic has this part. Of the intervals "
        f"below, {share_of(held, len(rows))} hold the truth; about 95% should, over many such clinics "
        "(`examtally demo --clinics 20` counts).\n\n"
        f"{table(pl.DataFrame(rows), _COLUMNS, caption='Leading estimates beside the truth')}"
    )

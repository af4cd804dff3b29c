"""What the charts promise: how often a stable clinic gets a false signal, how soon a real change shows."""

from __future__ import annotations

from math import prod

import polars as pl

from examtally.reporting.engine.numbers import counted, percent
from examtally.reporting.engine.tables import Column, details, table
from examtally.reporting.monthly.month import BY_PERIOD, LAST, Month, Row
from examtally.reporting.monthly.values import plain


def multiplicity(month: Month) -> str:
    """How many charts are looked at, and what that many give by chance alone."""
    yearly = [row for row in month.charts if row["group_by"] in BY_PERIOD]
    looks = [row for row in month.charts if row["group_by"] not in BY_PERIOD]
    if not yearly and not looks:
        return f"No chart can signal yet: limits need {LAST} mature {month.unit}s."
    chance = 1 - prod(1 - row["false_signal"] for row in yearly)
    parts = [
        f"{counted(len(yearly), 'chart')} by {month.unit} are watched. In a clinic where nothing changes, at least one "
        f"of them would still signal with a chance of about {percent(1 - (1 - chance) ** (1 / LAST))} at each look and "
        f"{percent(chance)} within {LAST}"
    ]
    if looks:
        parts.append(
            f"; {counted(len(looks), 'figure')} of twelve {month.unit}s or of sites add a chance of "
            f"{percent(1 - prod(1 - row['false_signal'] for row in looks))} at each look"
        )
    return f"{''.join(parts)}. A signal is a reason to look, not a finding."


def promises(month: Month) -> str:
    """A table of every chart by month: its kind, the usual value, false signals and the delay after a change."""
    rows = [_promise(month, row) for row in month.charts if row["group_by"] in BY_PERIOD]
    if not rows:
        return ""
    columns = (
        Column("name", "Chart"),
        Column("chart", "Kind", words=True),
        Column("usual", "Usual"),
        Column("false", f"False signal\nwithin {LAST} points if nothing changes"),
        Column("change", "A change to"),
        Column("delay", "shows after about"),
    )
    return details("What each chart promises", table(pl.DataFrame(rows), columns, caption="What each chart promises"))


def without_limits(month: Month) -> str:
    """Indicators that have points and no limits yet."""
    charted = {row["indicator"] for row in month.charts}
    notes = month.indicators.filter(pl.col("note").is_not_null() & (pl.col("group_by") == "overall"))
    names = [month.indicator(code) for code in notes["indicator"].unique(maintain_order=True) if code not in charted]
    if not names:
        return ""
    return (
        f"Points without limits, since limits need {LAST} mature {month.unit}s with both outcomes: {', '.join(names)}."
    )


def terms(month: Month) -> str:
    """The words of this page and how the charts judge, as a list."""
    protocol = month.audit.protocol
    core = ", ".join(month.audit.catalogue.maneuvers[code].name for code in protocol.core)
    below, above = percent(protocol.monitoring.unlikely), percent(protocol.monitoring.likely)
    lines = [
        f"**Exams seen**: exams of a knee with a complaint, outside the operating room. **Core exam complete**: every "
        f'core maneuver has an entry, "not done" included ({core}).',
        "**Results in, still coming**: of first exams of a complaint; in, once an accepted test has settled a core "
        "condition within its days; coming, while those days run.",
        f"**Mature**: what was recorded is judged once the next {month.unit} has begun, answers once the days of every "
        "core condition have run out. Only mature points signal.",
        f"**Suspected**: put at {above} or more after the exam; where no number was stated, a positive finding of any "
        f"of its maneuvers. **Missed injury**: put below {below} and proven. Not every one was avoidable.",
        f"**Signals**: a point outside three-standard-deviation limits about the first {LAST} mature {month.unit}s, or "
        "eight in a row on one side of the centre. Where months differ more than chance allows the limits are wider "
        "(Laney). With fewer than 5 events, or 5 cases without, in an average month: quarters, or a cumulative score.",
        *_anew(month),
        "**Sites** with fewer than three examiners are merged. No chart here is about a person.",
    ]
    return "\n".join(f"- {line}" for line in lines)


def _anew(month: Month) -> list[str]:
    """The baselines that a committee has begun anew."""
    begun = month.audit.protocol.monitoring.baseline_from
    named = [f"{month.indicator(code)} from {period}" for code, period in begun.items()]
    return [f"**Baselines begun anew**, as the protocol says: {', '.join(named)}."] if named else []


def _promise(month: Month, row: Row) -> dict[str, str]:
    unit = "quarter" if row["group_by"] == "quarter" else month.unit
    delay = row["delay"]
    return {
        "name": month.name(row),
        "chart": month.audit.wording.word("chart", row["chart"]),
        "usual": "–" if row["group_by"] == "cumulative" else plain(row, row["centre"]),
        "false": percent(row["false_signal"]),
        "change": percent(row["shift"]),
        "delay": "–" if delay is None else counted(max(1, round(delay)), unit),
    }

"""What the charts promise: how often a stable clinic gets a false signal, how soon a real change shows."""

from __future__ import annotations

import polars as pl

from examtally.reporting.engine.aims import fold
from examtally.reporting.engine.numbers import counted, percent
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.monthly.month import LAST, Month, Row, plain


def multiplicity(month: Month) -> str:
    """How many charts are looked at, and what they give by chance alone, all together."""
    if not month.charts:
        return f"No chart can signal yet: limits need {LAST} {month.unit}s with follow-up complete."
    by_period = sum(row["group_by"] == "overall" for row in month.charts)
    others = len(month.charts) - by_period
    beside = f" and {counted(others, 'figure')} of twelve {month.unit}s together" if others else ""
    rate = percent(month.audit.protocol.monitoring.false_signals_a_year)
    return (
        f"{counted(by_period, 'chart')} by {month.unit}{beside} are watched: in a clinic where nothing changes, all of "
        f"them together give a signal in about {rate} of years. A signal is a reason to look, not a finding."
    )


def promises(month: Month) -> str:
    """A table of every chart by month: its kind, the usual value, false signals and the delay after a change."""
    rows = [_promise(month, row) for row in month.charts if row["group_by"] == "overall"]
    if not rows:
        return ""
    columns = (
        Column("name", "Chart"),
        Column("chart", "Kind", words=True),
        Column("usual", "Usual"),
        Column("false", f"False signal\nwithin {LAST} if nothing changes"),
        Column("change", "A change to"),
        Column("delay", "half such changes show within"),
    )
    return fold("What each chart promises", table(pl.DataFrame(rows), columns, caption="What each chart promises"))


def without_limits(month: Month) -> str:
    """Indicators that have points and no limits yet."""
    charted = {row["indicator"] for row in month.charts}
    notes = month.indicators.filter(pl.col("note").is_not_null() & (pl.col("group_by") == "overall"))
    names = [month.indicator(code) for code in notes["indicator"].unique(maintain_order=True) if code not in charted]
    if not names:
        return ""
    needed = f"{LAST} {month.unit}s with follow-up complete and both outcomes"
    return f"Points without limits, since limits need {needed}: {', '.join(names)}."


def terms(month: Month) -> str:
    """The words of this page and how the charts judge, as a list."""
    protocol = month.audit.protocol
    core = ", ".join(month.audit.catalogue.maneuvers[code].name for code in protocol.core)
    below, above = percent(protocol.monitoring.unlikely), percent(protocol.monitoring.likely)
    lines = [
        f"**Exams seen**: exams of «a noun» with a complaint, outside the operating room. **Core exam complete**: "
        f'every core maneuver has an entry, "not done" included ({core}).',
        "**Verified, results to come**: verified, once an accepted test has settled a core condition within its days; "
        "to come, while those days run.",
        f"**Follow-up complete**: records are judged once the next {month.unit} has begun, results once the days of "
        "every core condition have run out. Only these points signal.",
        f"**Suspected**: put at {above} or more after the exam; where no number was stated, a positive finding of any "
        f"of its maneuvers. **Missed injury**: put below {below} and confirmed. Not every one was avoidable.",
        f"**Signals**: the first {LAST} {month.unit}s with follow-up complete set the usual value. After them a moving "
        f"average (each new {month.unit} counts a fifth) signals outside its limits, and a single {month.unit} where "
        "chance hardly brings it there. The limits allow for what the first twelve leave open.",
        *_anew(month),
        "**Sites** with fewer than three examiners are merged. No chart here is about a person.",
    ]
    return "\n".join(f"- {line}" for line in lines)


def anchor(month: Month) -> str:
    """The registry's newest seal: kept on paper, it tells a log that was cut short or written anew."""
    return f"Newest seal of the registry: `{month.seal}`." if month.seal else ""


def _anew(month: Month) -> list[str]:
    """The baselines that a committee has begun anew."""
    begun = month.audit.protocol.monitoring.baseline_from
    named = [f"{month.indicator(code)} from {period}" for code, period in begun.items()]
    return [f"**Baselines begun anew**, as the protocol says: {', '.join(named)}."] if named else []


def _promise(month: Month, row: Row) -> dict[str, str]:
    delay = row["delay"]
    return {
        "name": month.name(row),
        "chart": month.audit.wording.word("chart", row["chart"]),
        "usual": plain(row, row["centre"]),
        "false": percent(row["false_signal"]),
        "change": "–" if row["shift"] is None else percent(row["shift"]),
        "delay": "–" if delay is None else counted(max(1, round(delay)), month.unit),
    }

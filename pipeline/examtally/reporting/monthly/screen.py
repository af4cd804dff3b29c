"""The first screen, in the order in which a committee asks: missed injuries, signals, decisions, the month, records."""

from __future__ import annotations

import polars as pl

from examtally.contracts.periods import later, spoken
from examtally.reporting.engine.numbers import count, counted, listed, percent, share_of
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.monthly.actions import Action
from examtally.reporting.monthly.asked import COLUMNS, asked, lines
from examtally.reporting.monthly.month import LAST, Month, key_of, latest
from examtally.reporting.monthly.panels import RECORDS

_MONTH = (
    ("exams_seen", "Exams seen"),
    ("core_complete", "Core exam complete"),
    ("probability_stated", "Probability stated"),
    ("verified", "First exams of a complaint: verified"),
    ("results_still_coming", "First exams of a complaint: results to come"),
)
_WORST = {
    "core_complete": "lowest",
    "probability_stated": "lowest",
    "examiner_blinded": "lowest",
    "equivocal": "highest",
}
_ENOUGH = 2  # records at their worst at once


def heading(month: Month) -> str:
    """The heading of the first screen."""
    return f"## {month.label} in short"


def headline(month: Month) -> str:
    """How many signals there are in what could be judged, and what could not; quiet only where every chart could."""
    if not month.periods:
        return "**No exam yet.** The report fills as records arrive."
    said, waiting = _judged(month)
    if not said:
        first = f"Limits need {LAST} {month.unit}s with follow-up complete; what comes after them is judged."
        return f"**Too early for signals.** {first}"
    signals = len(month.signals)
    if not signals and not waiting:
        return f"**Quiet {month.unit}.** No chart signals. Judged: {said}."
    found = f"**{counted(signals, 'signal')}.** Judged:" if signals else "**No signal in what could be judged:**"
    return f"{found} {said}.{waiting}"


def decisions(month: Month) -> str:
    """Signals that ask for a decision, and decisions still open, with owner, due and last outcome; or none."""
    steps = asked(month)
    outcomes = {step.indicator: done for step in steps if step.indicator and (done := _last(month, step.indicator))}
    rows = lines(steps)
    for row, step in zip(rows, steps, strict=True):
        row["what"] += f"\nLast outcome: {outcomes[step.indicator]}" if step.indicator in outcomes else ""
    rows += [_open(month, one) for one in month.actions if one.is_open and one.opened <= month.period]
    if not rows:
        return "**Decisions asked for:** none."
    return table(pl.DataFrame(rows), COLUMNS, caption="Decisions asked for")


def missed(month: Month) -> str:
    """Core conditions called unlikely and later confirmed, with the expected reading errors taken off."""
    below = percent(month.audit.protocol.monitoring.unlikely)
    rows = month.series("missed_injuries").filter("mature").tail(LAST)
    found, called = int(rows["numerator"].sum()), int(rows["denominator"].sum())
    here = month.row("missed_injuries")
    so_far = f"{count(here['numerator'])} of {count(here['denominator'])}" if here else ""
    own = f" This {month.unit} so far: {so_far}, too early to judge." if so_far else ""
    if not called:
        return f"**Missed injuries:** no {month.unit} with follow-up complete yet.{own}"
    when = f"in the last {counted(rows.height, month.unit)} with follow-up complete"
    share = (
        f"A core condition put below {below} after the exam was then verified {count(called)} times; "
        f"{count(found)} times the test showed it"
    )
    if not rows["expected"].count():
        return f"**Missed injuries** {when}: {share}. How many of these are its reading errors is not known here.{own}"
    kept, among = round(rows["expected"].sum()), round(rows["expected_all"].sum())
    return (
        f"**About {count(kept)} missed injuries** among verified «nouns» {when}; with those never imaged about "
        f"{count(among)} in all. {share}, of which about {count(found - kept)} are expected to be its reading "
        f"errors.{own}"
    )


def unusual(month: Month) -> str:
    """A month that is not judged yet, where two records or more stand at their worst so far; else empty.

    One of four often stands there by chance alone, two at once seldom.
    """
    found = [text for code, side in _WORST.items() if (text := _at_worst(month, code, side))]
    if len(found) < _ENOUGH:
        return ""
    span = f"the worst of {len(month.periods)} {month.unit}s"
    return f"**{month.label} is not judged yet; it looks unusual:** {listed(found)}, {span}."


def _at_worst(month: Month, code: str, side: str) -> str:
    """An indicator whose value is the lowest or highest of all periods so far, in words; else empty."""
    here, rows = month.row(code), month.series(code)
    before = rows.filter(pl.col("period") < month.period)["value"].drop_nulls().to_list()
    if here is None or here["mature"] or here["value"] is None or len(before) < LAST:
        return ""
    is_worst = here["value"] < min(before) if side == "lowest" else here["value"] > max(before)
    return f"{inside_sentence(month.indicator(code))} {percent(here['value'])}" if is_worst else ""


def counts(month: Month) -> str:
    """The month in five lines, each with the one before."""
    here, before = month.period, month.previous
    rows = [
        {"what": label, "now": _cell(month, code, here), "before": _cell(month, code, before)} for code, label in _MONTH
    ]
    columns = (Column("what", "Count"), Column("now", here), Column("before", before or "none before"))
    return table(pl.DataFrame(rows), columns, caption=f"This {month.unit} and the one before") if month.periods else ""


def held_back(month: Month) -> str:
    """Records of this month held for correction, with those of the month before, and a newest batch without news."""
    here = month.row("held_back")
    before = month.row("held_back", month.previous) if month.previous else None
    if here is None:
        return f"**Records held for correction:** no batch came in this {month.unit}."
    then = f"; the {month.unit} before {share_of(before['numerator'], before['denominator'])}" if before else ""
    held = share_of(here["numerator"], here["denominator"])
    text = f"**Records held for correction:** {held} of the lines new in this {month.unit}{_first(month)}{then}."
    return f"{text} {_again(month)}".rstrip()


def _again(month: Month) -> str:
    """That the newest batch sent known records again, where it did and no later month has come."""
    batches = month.audit.table("batches")
    newest = batches.filter(pl.col("batch_no") == pl.col("batch_no").max())
    if newest.is_empty() or newest["stored"].sum() or month.period != latest(month.audit).period:
        return ""
    return (
        f"Batch {newest['batch_no'][0]}, the newest, brought nothing new: {count(int(newest['unchanged'].sum()))} of "
        f"its {count(int(newest['lines'].sum()))} lines were already stored."
    )


def _first(month: Month) -> str:
    """Which periods the lines belong to, where the batches of this one brought earlier ones with them."""
    before = [period for period in month.periods if period < month.period]
    taken = {period for period in before if month.row("held_back", period) is not None}
    brought = [period for period in before if period > max(taken, default="")]
    return f" (exams of {brought[0]} to {month.period})" if brought else ""


def waiting(month: Month) -> str:
    """What waits for its exam, and for how many batches; nothing where nothing does."""
    summary = month.audit.table("cohort_summary")
    since = dict(summary.filter(item="waiting_since").select("group", "value").rows())
    lines = dict(summary.filter(item="waiting").select("group", "value").rows())
    newest = max(month.audit.table("batches")["batch_no"], default=0)
    parts = [
        f"{counted(int(lines[table]), 'line')} of {inside_sentence(month.audit.wording.word('table', table))} "
        f"{_since(int(batch), newest)}"
        for table, batch in since.items()
    ]
    return f"**Waiting for their exam, the oldest first:** {listed(parts)}." if parts else ""


def _since(batch: int, newest: int) -> str:
    """Since which batch lines wait, and how many came after it.

    >>> _since(4, 4), _since(2, 4)
    ('of the newest batch', 'since batch 2, 2 batches ago')
    """
    if batch == newest:
        return "of the newest batch"
    return f"since batch {batch}, {counted(newest - batch, 'batch', 'batches')} ago"


def _judged(month: Month) -> tuple[str, str]:
    """Up to which period records and results are judged, and the sentence on charts that are not judged yet."""
    able = [row for row in month.charts if row["group_by"] in ("overall", "site_year")]
    said, waiting = [], []
    for words, is_record in (("records", True), ("results", False)):
        charts = [row for row in able if (row["indicator"] in RECORDS) is is_record]
        judged = [period for row in charts if (period := month.judged.get(key_of(row)))]
        if judged:
            said.append(f"{words} up to {max(judged)}")
        if charts and len(judged) < len(charts):
            start = spoken(later(min(row["period"] for row in charts if key_of(row) not in month.judged), 1))
            which = f"{len(charts) - len(judged)} of the charts" if judged else "The charts"
            waiting.append(f" {which} of {words} are still setting their usual value: judged from {start} on.")
    return listed(said), "".join(waiting)


def _open(month: Month, action: Action) -> dict[str, str]:
    rule = month.audit.wording.word("rule", action.rule)
    return {
        "what": f"{action.decision}\n{action.id}, open since {action.opened}; {rule}",
        "owner": f"{action.owner}\n{_due(month, action)}",
    }


def _due(month: Month, action: Action) -> str:
    """When a decision is due, and whether that has passed."""
    if not action.due:
        return "to be set"
    return f"{action.due}, overdue" if action.due < month.period else action.due


def _last(month: Month, indicator: str) -> str:
    """What came of the last decision on an indicator that was closed; empty where none was."""
    done = [action for action in month.actions if action.indicator == indicator and not action.is_open]
    newest = max(done, key=lambda action: action.opened, default=None)
    return f"{newest.outcome} ({newest.id})" if newest else ""


def _cell(month: Month, code: str, period: str | None) -> str:
    row = month.row(code, period) if period else None
    if row is None:
        return "–"
    if row["denominator"] is None:
        return count(row["numerator"])
    return share_of(row["numerator"], row["denominator"])

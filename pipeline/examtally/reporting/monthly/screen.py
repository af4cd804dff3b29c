"""The first screen, in the order in which a committee asks: missed injuries, signals, decisions, the month, gaps."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from examtally.contracts.catalogue.clinical import Condition, Maneuver
from examtally.reporting.audit.accrual import Accrual, accrual_of
from examtally.reporting.engine.numbers import count, counted, listed, percent, share_of
from examtally.reporting.engine.tables import Column, details, table
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.monthly.actions import Action
from examtally.reporting.monthly.month import LAST, Month, Row, moved, plain
from examtally.reporting.monthly.panels import RECORDS

_MONTH = (
    ("exams_seen", "Exams seen"),
    ("core_complete", "Core exam complete"),
    ("probability_stated", "Probability stated"),
    ("verified", "First exams of a complaint: verified"),
    ("results_still_coming", "First exams of a complaint: results to come"),
)
_NAMED = 3  # decisions and gaps that stand on the first screen


def heading(month: Month) -> str:
    """The heading of the first screen."""
    return f"## {month.label} in short"


def headline(month: Month) -> str:
    """Quiet, or how many signals, and up to which period the charts can judge; or that it is too early."""
    if not month.periods:
        return "**No exam yet.** The report fills as records arrive."
    signals, judged = month.signals, _judged(month)
    if signals:
        return f"**{counted(len(signals), 'signal')}.** {judged}"
    if judged:
        return f"**Quiet {month.unit}.** No chart signals. {judged}"
    return f"**Too early for signals.** Limits need {LAST} {month.unit}s with follow-up complete."


def decisions(month: Month) -> str:
    """Signals that ask for a decision, and decisions still open, with owner, due and last outcome; or none."""
    asked = [_asked(month, row) for row in month.signals]
    open_ones = [_open(month, action) for action in month.actions if action.is_open and action.opened <= month.period]
    if not asked and not open_ones:
        return "**Decisions asked for:** none."
    columns = (
        Column("what", "Decision", words=True),
        Column("owner", "Owner", words=True),
        Column("due", "Due"),
        Column("outcome", "Last outcome", words=True),
    )
    rows = [*asked, *open_ones]
    text = table(pl.DataFrame(rows[:_NAMED]), columns, caption="Decisions asked for")
    rest = rows[_NAMED:]
    if not rest:
        return text
    title = f"{counted(len(rest), 'more decision')} asked for"
    return text + details(title, table(pl.DataFrame(rest), columns, caption=title))


def missed(month: Month) -> str:
    """Core conditions called unlikely and later confirmed, with the expected reading errors taken off."""
    below = percent(month.audit.protocol.monitoring.unlikely)
    head = f"**Missed injuries** (a core condition put below {below} after the exam, then confirmed)"
    rows = month.series("missed_injuries").filter("mature").tail(LAST)
    found, called = int(rows["numerator"].sum()), int(rows["denominator"].sum())
    here = month.row("missed_injuries")
    so_far = share_of(here["numerator"], here["denominator"]) if here else ""
    own = f" This {month.unit} so far: {so_far}, too early to judge." if so_far else ""
    if not called:
        return f"{head}: no {month.unit} with follow-up complete yet.{own}"
    share = f"{count(found)} of {count(called)} verified «nouns» ({percent(found / called)})"
    when = f"in the last {counted(rows.height, month.unit)} with follow-up complete, {share}"
    return f"{head}: {when}. {_truly(rows, found)}{own}"


def _truly(rows: pl.DataFrame, found: int) -> str:
    """How many of those found are expected to be there, and among all knees called unlikely; empty where not known."""
    if not rows["expected"].count():
        return "How many of them are reading errors of the tests is not known here."
    kept, among = round(rows["expected"].sum()), round(rows["expected_all"].sum())
    return (
        f"Of these, about {count(found - kept)} are expected to be reading errors of the tests: "
        f"**about {count(kept)} were truly missed**. Among all «nouns» called unlikely, imaged or not, about "
        f"{count(among)} have the injury."
    )


def counts(month: Month) -> str:
    """The month in five lines, each with the one before."""
    here, before = month.period, month.previous
    rows = [
        {"what": label, "now": _cell(month, code, here), "before": _cell(month, code, before)} for code, label in _MONTH
    ]
    columns = (Column("what", "Count"), Column("now", here), Column("before", before or "none before"))
    return table(pl.DataFrame(rows), columns, caption=f"This {month.unit} and the one before") if month.periods else ""


def not_yet(month: Month) -> str:
    """Core maneuvers that nothing can be said of yet: verified patients missing, and when there may be enough."""
    audit = month.audit
    waiting = [
        (condition, maneuver, item)
        for condition in audit.settled
        for maneuver in audit.core_maneuvers(condition)
        for item in (accrual_of(audit, condition.code, maneuver.code),)
        if condition.core or maneuver.core
        if not item.is_enough
    ]
    if not month.periods:
        return ""
    if not waiting:
        return "**Cannot be said yet:** nothing; every core maneuver has enough verified patients."
    lines = [_missing(*one) for one in waiting]
    more = f", and {counted(len(lines) - _NAMED, 'other')}" if len(lines) > _NAMED else ""
    return f"**Cannot be said yet,** for want of verified «nouns»: {'; '.join(lines[:_NAMED])}{more}."


def held_back(month: Month) -> str:
    """Records of this month held for correction, with those of the month before."""
    here = month.row("held_back")
    before = month.row("held_back", month.previous) if month.previous else None
    if here is None:
        return f"**Records held for correction:** no batch came in this {month.unit}."
    then = f"; the {month.unit} before {share_of(before['numerator'], before['denominator'])}" if before else ""
    held = share_of(here["numerator"], here["denominator"])
    return f"**Records held for correction:** {held} of the lines new in this {month.unit}{_first(month)}{then}."


def _first(month: Month) -> str:
    """Which periods the lines belong to, where the batches of this one brought earlier ones with them."""
    before = [period for period in month.periods if period < month.period]
    taken = {period for period in before if month.row("held_back", period) is not None}
    brought = [period for period in before if period > max(taken, default="")]
    return f", which hold {brought[0]} to {month.period}" if brought else ""


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


def _judged(month: Month) -> str:
    """Up to which period records and results are judged; nothing where no chart can signal."""
    able = [row for row in month.charts if row["group_by"] in ("overall", "site_year")]
    kinds = ((True, "records"), (False, "results"))
    newest = {kind: [row["period"] for row in able if (row["indicator"] in RECORDS) is kind] for kind, _ in kinds}
    parts = [f"{words} up to {max(newest[kind])}" for kind, words in kinds if newest[kind]]
    return f"Judged: {listed(parts)}." if parts else ""


def _asked(month: Month, row: Row) -> dict[str, str]:
    known = [action for action in month.actions if action.indicator == row["indicator"]]
    rule = month.audit.wording.word("rule", row["rule"])
    return {
        "what": f"Look into: {month.name(row)}\n{row['period']}: {plain(row, row['value'])}, {moved(row)}; {rule}",
        "owner": next((action.owner for action in known if action.is_open), "to be named"),
        "due": next((_due(month, action) for action in known if action.is_open), "to be set"),
        "outcome": _last(known),
    }


def _open(month: Month, action: Action) -> dict[str, str]:
    same = [other for other in month.actions if other.indicator == action.indicator]
    rule = month.audit.wording.word("rule", action.rule)
    return {
        "what": f"{action.decision}\n{action.id}, since {action.opened}; {rule}",
        "owner": action.owner,
        "due": _due(month, action),
        "outcome": _last(same),
    }


def _due(month: Month, action: Action) -> str:
    """When a decision is due, and whether that has passed."""
    if not action.due:
        return "to be set"
    return f"{action.due}\noverdue" if action.due < month.period else action.due


def _last(actions: Sequence[Action]) -> str:
    done = sorted((action for action in actions if not action.is_open), key=lambda action: action.opened)
    return f"{done[-1].outcome} ({done[-1].id})" if done else "none yet"


def _cell(month: Month, code: str, period: str | None) -> str:
    row = month.row(code, period) if period else None
    if row is None:
        return "–"
    if row["denominator"] is None:
        return count(row["numerator"])
    return share_of(row["numerator"], row["denominator"])


def _missing(condition: Condition, maneuver: Maneuver, item: Accrual) -> str:
    sides = ((item.present, "with it"), (item.absent, "without it"))
    missing = [f"{item.needed - have} more patients {words}" for have, words in sides if have < item.needed]
    return f"{maneuver.name} for {inside_sentence(condition.name)} ({listed(missing)}; {item.when})"

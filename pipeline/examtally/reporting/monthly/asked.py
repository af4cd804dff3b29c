"""The one list of actions that every page reads: what a chart signals now, then what the findings ask for."""

from __future__ import annotations

from collections.abc import Sequence

from examtally.contracts.periods import later, spoken
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.next_steps import MOST, SOON, Step, standing
from examtally.reporting.engine.tables import Column
from examtally.reporting.monthly.month import Month, Row, latest, moved, plain
from examtally.reporting.monthly.panels import RECORDS
from examtally.reporting.plain import bullets

COLUMNS = (
    Column("what", "Action", words=True),
    Column("owner", "Owner\nmeasured again by"),
)


def asked(month: Month) -> list[Step]:
    """Every action of a month, signals first; what a chart signals is not asked for a second time."""
    signals = [_look_into(month, row) for row in month.signals]
    known = {step.indicator for step in signals}
    return [*signals, *(step for step in standing(month.audit) if not step.indicator or step.indicator not in known)]


def asked_now(audit: Audit) -> list[Step]:
    """The actions of the most recent period."""
    return asked(latest(audit))


def first(audit: Audit) -> str:
    """What to do next: at most three of the actions, and how many more there are."""
    steps = asked_now(audit)
    shown = bullets("What to do next", [step.sentence for step in steps[:MOST]])
    if len(steps) <= MOST:
        return shown
    return f"{shown}\n*{len(steps) - MOST} more on the page Conclusions and actions, `examtally report actions`.*"


def lines(steps: Sequence[Step]) -> list[dict[str, str]]:
    """Rows of a table of actions, by `COLUMNS`."""
    return [{"what": f"{step.what}\n{step.why}", "owner": f"{step.who}\n{step.due}"} for step in steps]


def _look_into(month: Month, row: Row) -> Step:
    """A chart that signals: its owner and date are those of the open decision on it, where there is one."""
    rule = month.audit.wording.word("rule", row["rule"])
    taken = [action for action in month.actions if action.is_open and action.indicator == row["indicator"]]
    return Step(
        f"Look into: {month.name(row)}.",
        f"{row['period']}: {plain(row, row['value'])}, {moved(row)}; {rule}.",
        taken[0].owner if taken else "Clinic lead" if row["indicator"] in RECORDS else "Audit lead",
        taken[0].due if taken and taken[0].due else spoken(later(month.period, SOON)),
        row["indicator"],
    )

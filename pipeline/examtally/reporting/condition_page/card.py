"""The one-page card of a condition: what each core maneuver does to a suspicion, until when, and what comes first."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from examtally.contracts.catalogue.clinical import Condition
from examtally.contracts.periods import place_of
from examtally.reporting.audit.audit import Audit
from examtally.reporting.condition_page.ratios import MOST, RatioLine, lines_of, needed, waiting
from examtally.reporting.engine.aims import LEADING
from examtally.reporting.engine.numbers import counted, listed, percent
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import inside_sentence
from examtally.reporting.plain import first_rule_out

SUSPICIONS = (0.1, 0.3, 0.5, 0.7)
"""Probabilities before the finding for which a card gives the one after it."""

VALID = 12
"""Periods after the last one covered until which a card holds."""

PUBLISHED = "published, not ours"
_FINDINGS = ("positive", "negative")
_OVER = "A suspicion before the finding of … becomes"
_COLUMNS = (
    Column("finding", "Finding"),
    Column("ratio", "Likelihood ratio"),
    *(Column(percent(before), percent(before), _OVER) for before in SUSPICIONS),
)
_HOW = (
    "Think how likely the condition is before the finding, from the history and all you have seen: your column. "
    "The likelihood ratio says how many times as often the finding is met in «a noun» with the condition as without it."
)


def card(audit: Audit, condition: Condition) -> str:
    """All of a card but its title."""
    every = lines_of(audit, condition)
    lines = every[:MOST]
    parts = (
        f"::: tag\n{audit.wording.group}. {audit.wording.tag}\n:::",
        _covered(audit, condition, lines),
        first_rule_out(audit),
        _HOW,
        f"::: card\n{_table(audit, condition, lines)}\n:::",
        _left_out(every[MOST:]),
        _waiting(audit, condition),
        _basis(audit, lines),
        f"{audit.wording.caution}",
    )
    return "\n\n".join(part.strip("\n") for part in parts if part)


def expiry(period: str) -> str:
    """Until when a card holds whose last period is `period`.

    >>> expiry("2026-03"), expiry("P018")
    ('the end of 2027-03, 12 months after its last period', '12 periods after P018')
    """
    if period.startswith("P"):
        return f"{VALID} periods after {period}"
    year, month = divmod(place_of(period) + VALID, 12)
    return f"the end of {year:04}-{month + 1:02}, {VALID} months after its last period"


def periods_covered(audit: Audit, condition: Condition, lines: Sequence[RatioLine]) -> list[str]:
    """Periods with a verified exam for a maneuver of the card; every period where there is none."""
    own = [line for line in lines if line.own is not None] or list(lines)
    known = [
        period
        for period in audit.periods
        if any(audit.tally(condition.code, line.maneuver.code, "period", period)["verified"] for line in own)
    ]
    return known or audit.periods


def _covered(audit: Audit, condition: Condition, lines: Sequence[RatioLine]) -> str:
    modalities = [audit.catalogue.modalities[code] for code in audit.protocol.reference.accepted[condition.code]]
    settled = f"The reference standard is {listed([inside_sentence(item.name) for item in modalities], 'or')}."
    if audit.protocol.is_clinical(condition.code):
        settled += " Held against a clinical diagnosis."
    periods = periods_covered(audit, condition, lines)
    if not periods:
        return f"**A teaching aid.** {settled} No exam is on record yet; this card holds nothing of our own."
    span = periods[0] if len(periods) == 1 else f"{periods[0]} to {periods[-1]}"
    return f"**A teaching aid. Exams of {span}. Expires {_until(periods[-1])}.** {settled}"


def _until(period: str) -> str:
    text = expiry(period)
    return text if period.startswith("P") else f"at {text}"


def _table(audit: Audit, condition: Condition, lines: Sequence[RatioLine]) -> str:
    keys = [column.key for column in _COLUMNS]
    rows = [
        {
            "maneuver": _heading(line, needed(audit)),
            **dict(zip(keys, [name, *line.cells(place, SUSPICIONS)], strict=True)),
        }
        for line in lines
        for place, name in enumerate(_FINDINGS)
    ]
    level = percent(audit.protocol.intervals.level)
    beneath = f", {level} interval beneath" if any(line.own is not None for line in lines) else ""
    caption = f"{condition.name}: what a finding makes of a suspicion{beneath}"
    return table(pl.DataFrame(rows), _COLUMNS, caption=caption, group="maneuver")


def _heading(line: RatioLine, fewest: int) -> str:
    """The maneuver with the knees behind it, or where its range comes from and what is missing."""
    if line.own is not None:
        examined, verified, expected = line.knees
        return (
            f"{line.maneuver.name}: {counted(examined, '«noun»')} examined, {verified} verified, "
            f"about {expected} expected to have it"
        )
    source = PUBLISHED if line.published else "nothing of ours yet, and no publication gives both ratios"
    with_it, without = line.people
    missing = f"ours needs {fewest} patients with it and {fewest} without, so far {with_it} and {without}"
    return f"{line.maneuver.name}: {source}; {'ours is withheld' if line.is_withheld else missing}"


def _left_out(lines: Sequence[RatioLine]) -> str:
    """Maneuvers for which one sheet has no room."""
    return f"No room here for {'; '.join(line.maneuver.name for line in lines)}." if lines else ""


def _waiting(audit: Audit, condition: Condition) -> str:
    """Maneuvers that the page of the condition shows and a card does not yet."""
    lines = [
        f"{inside_sentence(line.maneuver.name)} ({line.people[0]} with it, {line.people[1]} without)"
        for line in waiting(audit, condition)
    ]
    fewest = needed(audit)
    return (
        f"On the page of the condition, not here before {fewest} patients with it and {fewest} without are verified: "
        f"{listed(lines)}."
        if lines
        else ""
    )


def _basis(audit: Audit, lines: Sequence[RatioLine]) -> str:
    """What the figures take for granted, where the published ones come from, and what made them."""
    own = [line for line in lines if line.own is not None]
    sources = dict.fromkeys(name for line in lines if line.own is None and line.published for name in line.sources)
    span = "lowest to highest of" if len(sources) > 1 else "from"
    made = audit.results.provenance
    withheld = dict.fromkeys(line.reason for line in lines if line.is_withheld)
    sentences = [
        f"*Ours:* {LEADING}" if own else "",
        *(f"*Withheld:* {reason}" for reason in withheld),
        f"*Published, not ours:* other clinics, other rules, another spectrum of patients; {span} {', '.join(sources)}."
        if sources
        else "",
        f"Figures are {audit.protocol.analysis_status.replace('_', '-')}. Registry {made.registry[:12]}, protocol "
        f"{made.protocol_hash[:12]}.",
    ]
    return " ".join(sentence for sentence in sentences if sentence)

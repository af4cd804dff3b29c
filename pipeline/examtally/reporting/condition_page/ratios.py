"""The ratios of a card: our own leading ones where enough people are verified, otherwise the published range."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from examtally.contracts.catalogue.clinical import Condition, Maneuver, Published
from examtally.reporting.audit.audit import Audit
from examtally.reporting.audit.leading import Lead, leads_of
from examtally.reporting.audit.suspicion import after, post_test_cell
from examtally.reporting.engine.estimate import Estimate, Span
from examtally.reporting.engine.numbers import DASH, percent, percent_range, ratio, ratio_range

FEWEST = 30
"""Participants verified with the condition, and as many without it, before a ratio of our own is given."""

MOST = 6
"""Maneuvers on one card, so that it stays one page."""

RATIOS = ("lr_positive", "lr_negative")


@dataclass(frozen=True)
class RatioLine:
    """One maneuver of a card.

    `own` holds our two leading ratios, None where too few people are verified or they are withheld; `reason` says why
    they are withheld. `published` holds, by ratio, the lowest and highest that publications come to, None where none
    gives both sensitivity and specificity. `knees` are those examined, verified, and expected to have the condition;
    `people` the participants verified with and without it; `is_led` whether there are leading ratios at all.
    """

    maneuver: Maneuver
    own: tuple[Estimate, Estimate] | None
    reason: str
    published: tuple[Span, Span] | None
    knees: tuple[int, int, int]
    people: tuple[int, int]
    sources: tuple[str, ...]
    is_led: bool = False

    @property
    def is_withheld(self) -> bool:
        """Whether enough people are verified and the ratios cannot be known all the same."""
        return self.own is None and bool(self.reason)

    def cells(self, finding: int, suspicions: Sequence[float]) -> list[str]:
        """The ratio of a positive (0) or negative (1) finding, then what each suspicion becomes, limits beneath."""
        if self.own is not None:
            estimate = self.own[finding]
            return [estimate.pair, *(post_test_cell(estimate, before) for before in suspicions)]
        if self.published is None:
            return [DASH] * (1 + len(suspicions))
        low, high = self.published[finding]
        spans = ((after(low, before), after(high, before)) for before in suspicions)
        return [_range(low, high), *(_percents(*span) for span in spans)]


def lines_of(audit: Audit, condition: Condition) -> list[RatioLine]:
    """Each core maneuver, or the one verified most where none is; others with ratios of our own while they fit."""
    first = [_line(audit, condition, item) for item in _first(audit, condition)]
    rest = [line for line in _rest(audit, condition) if line.own is not None]
    return first + rest[: max(MOST - len(first), 0)]


def waiting(audit: Audit, condition: Condition) -> list[RatioLine]:
    """Other maneuvers with a leading estimate, on the page of the condition, and too few people for a card."""
    return [line for line in _rest(audit, condition) if line.own is None and line.is_led and not line.is_withheld]


def _first(audit: Audit, condition: Condition) -> tuple[Maneuver, ...]:
    core = tuple(item for item in audit.maneuvers(condition) if item.code in audit.protocol.core)
    return core or audit.core_maneuvers(condition)


def _rest(audit: Audit, condition: Condition) -> list[RatioLine]:
    named = {item.code for item in _first(audit, condition)}
    return [_line(audit, condition, item) for item in audit.maneuvers(condition) if item.code not in named]


def needed(audit: Audit) -> int:
    """People with the condition, and without, before a ratio of our own is given: never under what reports show."""
    return max(FEWEST, audit.min_participants)


def published_ratios(rows: Iterable[Published]) -> tuple[Span, Span] | None:
    """The range of both likelihood ratios over publications that examined like us and give both figures; or None.

    LR+ is sensitivity over 1 less specificity, LR- is 1 less sensitivity over specificity. Where one of several found
    no false alarm its LR+ has no end, nor has the range; where none found any there is no range.
    """
    pairs = [(row.sensitivity or 0.0, row.specificity or 0.0) for row in rows if _gives_both(row)]
    up = [sensitivity / (1 - specificity) for sensitivity, specificity in pairs if specificity < 1]
    down = [(1 - sensitivity) / specificity for sensitivity, specificity in pairs]
    if not up:
        return None
    return (min(up), max(up) if len(up) == len(pairs) else math.inf), (min(down), max(down))


def _line(audit: Audit, condition: Condition, maneuver: Maneuver) -> RatioLine:
    tally = audit.tally(condition.code, maneuver.code)
    people = (tally["participants_present"], tally["participants_absent"])
    found = [row for row in maneuver.published if row.condition == condition.code]
    lead = next(iter(leads_of(audit, condition, [maneuver])), None)
    is_enough = min(people) >= needed(audit)
    return RatioLine(
        maneuver,
        _own(lead) if lead is not None and lead.has_ratios and is_enough else None,
        str(lead.row["reason"] or "") if lead is not None else "",
        published_ratios(found),
        _knees(lead.row) if lead is not None else (0, 0, 0),
        people,
        tuple(dict.fromkeys(row.cited for row in found if _gives_both(row))),
        lead is not None and lead.has_ratios,
    )


def _gives_both(row: Published) -> bool:
    return bool(row.sensitivity and row.specificity and not row.apart)


def _knees(row: Mapping[str, Any]) -> tuple[int, int, int]:
    with_it, without = (row[f"expected_{side}"] or 0.0 for side in ("present", "absent"))
    return round(with_it + without), row["verified"], round(with_it)


def _own(lead: Lead) -> tuple[Estimate, Estimate]:
    """Both leading ratios with their limits."""
    up, down = (
        Estimate(
            name,
            lead.row[name],
            lead.row[f"{name}_low"],
            lead.row[f"{name}_high"],
            lead.row["verified"],
            lead.row["verified"],
            lead.row["participants"],
            shown=True,
            note="",
        )
        for name in RATIOS
    )
    return up, down


def _range(low: float, high: float) -> str:
    return ratio(low) if ratio(low) == ratio(high) else ratio_range(low, high)


def _percents(low: float, high: float) -> str:
    if high == 1:
        return f"{percent(low)} and more"
    return percent(low) if percent(low) == percent(high) else percent_range(low, high)
